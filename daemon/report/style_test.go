package report_test

import (
	"encoding/xml"
	"strings"
	"testing"

	"faultkeep/daemon/report"
	"faultkeep/store/storetest"
)

// A picture by itself carries its style as it is, and no name turns its text around.
func TestStandaloneStyle(t *testing.T) {
	c, data := storetest.Recording("elevator", 1, 3, 100)
	c.Title = "Bucket\u202e elevator"
	series, err := c.Encoding.Decode(data, nil)
	if err != nil {
		t.Fatal(err)
	}
	svg := string(report.Lanes(c, series, report.Options{Standalone: true}))
	var style struct {
		Text string `xml:"style"`
	}
	if err := xml.Unmarshal([]byte(svg), &style); err != nil {
		t.Fatal(err)
	}
	if style.Text != report.CSS {
		t.Errorf("the style isn't what it was: %.200q", style.Text)
	}
	if strings.ContainsRune(svg, '\u202e') {
		t.Error("a name turns around what stands beside it")
	}
}
