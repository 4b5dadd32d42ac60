package alert_test

import (
	"testing"

	"faultkeep/daemon/alert"
	"faultkeep/store/capture"
)

// Every alert leads to the page that shows what it is about.
func TestPage(t *testing.T) {
	for _, x := range []struct {
		alert capture.Alert
		want  string
	}{
		{capture.Alert{Capture: "20261125-031207-belt-3-abcd", Drive: "belt-3"}, "/capture/20261125-031207-belt-3-abcd"},
		{capture.Alert{Drive: "belt 3"}, "/drive/belt%203"},
		{capture.Alert{Kind: capture.KindBrief, Brief: "brief-20261125-0500"}, "/brief"},
		{capture.Alert{Kind: capture.KindDisk}, "/"},
	} {
		const base = "https://edge-pc.northquay.example"
		if got := alert.Page(base+"/", x.alert); got != base+x.want {
			t.Errorf("%+v: %s", x.alert, got)
		}
		if got := alert.Page("", x.alert); got != "" {
			t.Errorf("without a base: %s", got)
		}
	}
}
