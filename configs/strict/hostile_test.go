package strict_test

import (
	"strings"
	"testing"
	"time"

	"faultkeep/configs/strict"
)

// Files as large as may be, made of what costs a parser most.
func TestHostileFilesEndSoon(t *testing.T) {
	size := 1 << 19
	if testing.Short() {
		size >>= 2
	}
	for _, bit := range []string{"a: b: ", "{}", ",", "&a ", "- ", "{a: ", "a: {b: c}\n"} {
		for _, front := range []string{"", "a: ["} {
			src := front + strings.Repeat(bit, (size-10)/len(bit))
			if lines := strings.Count(bit, "\n"); lines > 0 {
				src = front + strings.Repeat(bit, 19_000/lines)
			}
			begin := time.Now()
			var got file
			strict.Decode("f", []byte(src), &got)
			if took := time.Since(begin); took > 60*time.Second { // many times what it takes; a slip into squares takes minutes
				t.Errorf("%q after %q took %v", bit, front, took)
			}
		}
	}
}
