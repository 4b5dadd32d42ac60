package strict

import (
	"fmt"
	"strings"
)

// Choice is the hint for a word that isn't one of the known ones.
func Choice(word string, known []string) string {
	list := "known here: " + strings.Join(known, ", ")
	if near := Nearest(word, known); near != "" {
		return fmt.Sprintf("did you mean %s? (%s)", near, list)
	}
	return list
}

// Nearest is the known word that was probably meant, or "".
func Nearest(word string, known []string) string {
	word = fold(word)
	best, least := "", 1+max(1, (len(word)+1)/3)
	for _, k := range known {
		d := distance(word, fold(k), least)
		if len(word) >= 3 && strings.HasPrefix(fold(k), word) {
			d = min(d, 1) // a word cut short
		}
		if d < least {
			best, least = k, d
		}
	}
	return best
}

// fold makes words that differ only in case and separators the same.
func fold(word string) string {
	return strings.NewReplacer("-", "", "_", "", " ", "").Replace(strings.ToLower(word))
}

// distance counts insertions, deletions, replacements and swaps of neighbours
// that turn a into b, or returns limit where there are that many or more.
func distance(a, b string, limit int) int {
	if len(a)-len(b) >= limit || len(b)-len(a) >= limit {
		return limit
	}
	before, last, row := make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			row[j] = min(last[j]+1, row[j-1]+1, last[j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last, row = last, row, before
	}
	return min(last[len(b)], limit)
}
