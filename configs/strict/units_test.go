package strict_test

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"faultkeep/configs/strict"
)

func TestUnitsReadWhatTheyWrite(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := strict.Duration(rapid.Int64Range(0, int64(10000*time.Hour)).Draw(t, "d"))
		if got, err := strict.ParseDuration(d.String()); err != nil || got != d {
			t.Fatalf("%v came back as %v, %v", d, got, err)
		}
		s := strict.Size(rapid.Int64Range(0, 1<<50).Draw(t, "s"))
		if got, err := strict.ParseSize(s.String()); err != nil || got != s {
			t.Fatalf("%v came back as %d, %v", s, int64(got), err)
		}
	})
}

func TestUnits(t *testing.T) {
	for text, want := range map[string]time.Duration{"0": 0, "250ms": 250e6, "1h30m": 90 * time.Minute, "7d": 168 * time.Hour, "1d12h": 36 * time.Hour, "62.5us": 62500, "1.5µs": 1500} {
		if got, err := strict.ParseDuration(text); err != nil || got.Std() != want {
			t.Errorf("%s = %v, %v", text, got, err)
		}
	}
	for _, text := range []string{"", "1", "-1s", "+1s", "d", "1d-1h", "1.5d", "60000d", "1s ", "99999d999999999h", "inf", "1e3s"} {
		if got, err := strict.ParseDuration(text); err == nil {
			t.Errorf("%q read as %v", text, got)
		}
	}
	for text, want := range map[string]int64{"0": 0, "1B": 1, "512KiB": 512 << 10, "20MB": 20e6, "4GiB": 4 << 30, "1.1MB": 1_100_000, "2TB": 2e12} {
		if got, err := strict.ParseSize(text); err != nil || int64(got) != want {
			t.Errorf("%s = %d, %v", text, got, err)
		}
	}
	for _, text := range []string{"", "1", "-1B", "B", "1kb", "1e3B", "0x1B", "9999999TiB", "NaNB", "1.2.3B"} {
		if got, err := strict.ParseSize(text); err == nil {
			t.Errorf("%q read as %d", text, got)
		}
	}
	for d, want := range map[time.Duration]string{0: "0s", time.Hour: "1h", 90 * time.Minute: "1h30m", time.Minute: "1m", 10 * time.Second: "10s", 20 * time.Minute: "20m"} {
		if got := strict.Duration(d).String(); got != want {
			t.Errorf("%v shown as %s, want %s", d, got, want)
		}
	}
}

func TestNearest(t *testing.T) {
	known := []string{"holding", "input", "coil", "discrete", "sample_interval", "by-channel"}
	for word, want := range map[string]string{
		"holdnig": "holding", "Holding": "holding", "imput": "input", "sampleInterval": "sample_interval", "by_chanel": "by-channel",
		"colis": "coil", "coli": "coil", "disc": "discrete", "temperature": "", "x": "", "": "",
	} {
		if got := strict.Nearest(word, known); got != want {
			t.Errorf("%q: got %q, want %q", word, got, want)
		}
	}
}
