package alert

import (
	"time"

	"faultkeep/store/capture"
)

// KindTest marks an alert of which nothing happened. It goes past rules and
// outbox, so it is none of capture.Kinds.
const KindTest capture.Kind = "test"

// Test is an alert that shows whether alerts arrive. Its first words say that
// nothing happened.
func Test(site string, now time.Time) capture.Alert {
	from := "faultkeep"
	if site != "" {
		from += " at " + site
	}
	return capture.Alert{
		ID:       "test-" + now.UTC().Format("20060102-150405.000000"),
		Time:     now,
		Kind:     KindTest,
		Severity: capture.Info,
		Site:     site,
		Text:     "TEST from " + from + ": nothing happened, no drive tripped. Alerts reach you here; there is nothing to do.",
	}
}
