package demo

import (
	"fmt"
	"time"
)

// short shows a length of time with as many digits as it deserves.
func short(d time.Duration) string {
	switch s := d.Seconds(); {
	case s < 0.0995:
		return fmt.Sprintf("%.0f ms", s*1000)
	case s < 0.995:
		return fmt.Sprintf("%.2f s", s)
	case s < 9.95:
		return fmt.Sprintf("%.1f s", s)
	case s < 120:
		return fmt.Sprintf("%.0f s", s)
	default:
		return fmt.Sprintf("%.0f min", s/60)
	}
}

// clock is a time of day to the tenth of a second, by this computer's zone.
func clock(t time.Time) string { return t.Local().Format("15:04:05.0") }

// times is a number with its noun.
func times(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

func sentences(text, advice string) string {
	if advice == "" {
		return text
	}
	return text + " " + advice
}
