package wire

import (
	"fmt"
	"strconv"
	"strings"

	"faultkeep/store/capture"
)

// HaveHeader lists the byte ranges of an original that are there, ends
// exclusive: "0-250,500-750".
const HaveHeader = "Faultkeep-Have"

// FormatRanges writes ranges as HaveHeader has them.
func FormatRanges(have []capture.Range) string {
	parts := make([]string, len(have))
	for i, r := range have {
		parts[i] = fmt.Sprintf("%d-%d", r.Start, r.End)
	}
	return strings.Join(parts, ",")
}

// ParseRanges reads what FormatRanges wrote, for a part of so many bytes.
func ParseRanges(text string, size int64) ([]capture.Range, error) {
	if text == "" {
		return nil, nil
	}
	var have []capture.Range
	last := int64(0)
	for _, one := range strings.Split(text, ",") {
		from, to, _ := strings.Cut(one, "-")
		start, err1 := strconv.ParseInt(from, 10, 64)
		end, err2 := strconv.ParseInt(to, 10, 64)
		if err1 != nil || err2 != nil || start < last || end <= start || end > size {
			return nil, fmt.Errorf("%q isn't a list of ranges within %d bytes", text, size)
		}
		have = append(have, capture.Range{Start: start, End: end})
		last = end
	}
	return have, nil
}
