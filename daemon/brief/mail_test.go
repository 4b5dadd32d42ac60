package brief_test

import (
	"bytes"
	"image/png"
	"strings"
	"testing"

	"faultkeep/daemon/brief"
)

// As mail the page has its pictures as PNG, each named once, and no SVG.
func TestForMail(t *testing.T) {
	b := nights["chattering"](newPlant(t))
	page, err := b.HTML()
	if err != nil {
		t.Fatal(err)
	}
	mail, pictures := brief.ForMail(page)
	if strings.Contains(mail, "<svg") || len(pictures) != strings.Count(page, "<svg") || len(pictures) != 5 {
		t.Errorf("%d pictures of %d", len(pictures), strings.Count(page, "<svg"))
	}
	for id, picture := range pictures {
		if n := strings.Count(mail, `<img src="cid:`+id+`"`); n != 1 {
			t.Errorf("%s stands in it %d times", id, n)
		}
		img, err := png.Decode(bytes.NewReader(picture))
		if err != nil || img.Bounds().Dx() != 720 || img.Bounds().Dy() != 144 {
			t.Errorf("%s: %v", id, err)
		}
	}
	if !strings.Contains(mail, `alt="setpoint`) && !strings.Contains(mail, "of Belt conveyor 3, whole\"") {
		t.Errorf("what the pictures show isn't said: %s", mail[strings.Index(mail, "<img"):][:200])
	}
}

func TestSubject(t *testing.T) {
	for headline, want := range map[string]string{
		"Nothing happened, and we were watching 99.8 % of the time.":                                                                              "Northquay: Nothing happened, and we were watching 99.8 % of the time.",
		"Bucket elevator tripped at 03:12: Continuous overcurrent, output 1 (2311). We were watching 100 % of the time. Not watched now: Belt 3.": "Northquay: Bucket elevator tripped at 03:12: Continuous overcurrent, output 1 (2311).",
		strings.Repeat("long ", 40): "Northquay: " + strings.Repeat("long ", 40)[:119] + "…",
	} {
		if got := brief.Subject("Northquay", headline); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
	if got := brief.Subject("", "x."); got != "x." {
		t.Error(got)
	}
}
