package alert_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"faultkeep/configs/strict"
	"faultkeep/daemon/alert"
	"faultkeep/store/capture"
)

var (
	overcurrent = capture.Fault{Code: 0x2311, Shown: "2311", Class: capture.ClassCurrent, Severity: capture.Alarm}
	jam         = capture.Alert{Kind: capture.KindCapture, Severity: capture.Alarm, Drive: "bucket-elevator", Fault: overcurrent}
)

func TestRoute(t *testing.T) {
	sinks := []string{"log", "control-room", "shift"}
	with := func(a capture.Alert, change func(*capture.Alert)) capture.Alert { change(&a); return a }
	kind := func(k capture.Kind) capture.Alert { return with(jam, func(a *capture.Alert) { a.Kind = k }) }
	own := with(jam, func(a *capture.Alert) { a.Fault = capture.Fault{Code: 7, Shown: "F07"} })
	bare := with(jam, func(a *capture.Alert) { a.Fault = capture.Fault{Code: 8977} })
	disk := func(s capture.Severity) capture.Alert { return capture.Alert{Kind: capture.KindDisk, Severity: s} }
	damage := capture.Alert{Kind: capture.KindDamage, Severity: capture.Alarm}
	drift := capture.Alert{Kind: capture.KindDrift, Severity: capture.Warning, Drive: "belt-3"}
	for _, c := range []struct {
		name  string
		rules []alert.Rule
		alert capture.Alert
		want  []string
	}{
		{"no rules, capture", nil, jam, sinks},
		{"no rules, partial", nil, kind(capture.KindPartial), sinks},
		{"no rules, miss", nil, kind(capture.KindMiss), sinks},
		{"no rules, drift", nil, drift, sinks},
		{"no rules, damage", nil, damage, sinks},
		{"no rules, blind", nil, kind(capture.KindBlind), nil},
		{"blind where asked for", []alert.Rule{{Kinds: []capture.Kind{capture.KindBlind}, To: []string{"log"}}}, kind(capture.KindBlind), []string{"log"}},
		{"only blind asked for", []alert.Rule{{Kinds: []capture.Kind{capture.KindBlind}}}, jam, nil},
		{"drive by name", []alert.Rule{{Drives: []string{"bucket-elevator"}, To: []string{"shift"}}}, jam, []string{"shift"}},
		{"drive by pattern", []alert.Rule{{Drives: []string{"belt-*"}}}, drift, sinks},
		{"other drive", []alert.Rule{{Drives: []string{"belt-*"}}}, jam, nil},
		{"two rules, each sink once and in order", []alert.Rule{{To: []string{"shift"}}, {To: []string{"log", "shift"}}}, jam, []string{"log", "shift"}},
		{"class", []alert.Rule{{Classes: []capture.Class{capture.ClassCurrent}}}, jam, sinks},
		{"other class", []alert.Rule{{Classes: []capture.Class{capture.ClassVoltage}}}, jam, nil},
		{"class of a code that no table knows", []alert.Rule{{Classes: []capture.Class{capture.ClassUnknown}}}, bare, sinks},
		{"class of no fault at all", []alert.Rule{{Classes: []capture.Class{capture.ClassUnknown}}}, drift, nil},
		{"code as shown", []alert.Rule{{Codes: []string{"2311"}}}, jam, sinks},
		{"code is not the raw number", []alert.Rule{{Codes: []string{"8977"}}}, jam, nil},
		{"code without a table is its number", []alert.Rule{{Codes: []string{"8977"}}}, bare, sinks},
		{"raw code", []alert.Rule{{Codes: []string{"0x2311"}}}, jam, sinks},
		{"code by pattern", []alert.Rule{{Codes: []string{"23*"}}}, jam, sinks},
		{"code in any case", []alert.Rule{{Codes: []string{"f07"}}}, own, sinks},
		{"code of no fault", []alert.Rule{{Codes: []string{"*"}}}, drift, nil},
		{"severe enough", []alert.Rule{{Severity: capture.Warning}}, jam, sinks},
		{"just severe enough", []alert.Rule{{Severity: capture.Warning}}, drift, sinks},
		{"not severe enough", []alert.Rule{{Severity: capture.Alarm}}, drift, nil},
		{"all of a rule must hold", []alert.Rule{{Drives: []string{"bucket-elevator"}, Classes: []capture.Class{capture.ClassVoltage}}}, jam, nil},
		{"damage passes rules by drive", []alert.Rule{{Drives: []string{"belt-*"}, To: []string{"shift"}}}, damage, sinks},
		{"damage by its own rule", []alert.Rule{{Kinds: []capture.Kind{capture.KindDamage}, To: []string{"log"}}, {Drives: []string{"x"}}}, damage, []string{"log"}},
		{"a full disk passes rules by drive", []alert.Rule{{Drives: []string{"belt-*"}, To: []string{"shift"}}}, disk(capture.Warning), sinks},
		{"a disk with room again doesn't", []alert.Rule{{Drives: []string{"belt-*"}, To: []string{"shift"}}}, disk(capture.Info), nil},
		{"unknown severity is told", []alert.Rule{{Severity: capture.Alarm}}, with(drift, func(a *capture.Alert) { a.Severity = "" }), sinks},
	} {
		t.Run(c.name, func(t *testing.T) {
			var got []string
			for _, d := range (alert.Rules{Sinks: sinks, List: c.rules}).Route(c.alert) {
				if d != (capture.Delivery{Sink: d.Sink}) {
					t.Errorf("%s hears of it in another way than at once: %+v", d.Sink, d)
				}
				got = append(got, d.Sink)
			}
			if diff := cmp.Diff(c.want, got); diff != "" {
				t.Error(diff)
			}
		})
	}
}

// How a sink hears of an alert: when, together with what, and how often again.
func TestRouteSaysHow(t *testing.T) {
	oslo, err := time.LoadLocation("Europe/Oslo")
	if err != nil {
		t.Fatal(err)
	}
	at := func(text string) time.Time {
		when, err := time.ParseInLocation("2006-01-02 15:04", text, oslo)
		if err != nil {
			t.Fatal(err)
		}
		return when
	}
	every := func(d time.Duration) *strict.Duration { return (*strict.Duration)(&d) }
	office := []string{"mon-fri 07:00-16:00"}
	family := jam
	family.Family = "2311-b"
	const night, morning, saturday = "2026-11-26 03:12", "2026-11-26 07:00", "2026-11-28 10:00"
	for _, c := range []struct {
		name  string
		rules []alert.Rule
		alert capture.Alert
		now   string
		want  []capture.Delivery
	}{
		{"within hours", []alert.Rule{{Hours: office}}, jam, morning, capture.To("mail")},
		{"outside they are skipped", []alert.Rule{{Hours: office}}, jam, night, []capture.Delivery{}},
		{"or wait", []alert.Rule{{Hours: office, Outside: alert.Wait}}, jam, night, []capture.Delivery{{Sink: "mail", Hold: at(morning).UTC()}}},
		{"over the weekend", []alert.Rule{{Hours: office, Outside: alert.Wait}}, jam, saturday, []capture.Delivery{{Sink: "mail", Hold: at("2026-11-30 07:00").UTC()}}},
		{"the first rule that fits counts", []alert.Rule{{Hours: office}, {Repeat: every(time.Hour)}}, jam, night,
			[]capture.Delivery{{Sink: "mail", Fold: "trip/bucket-elevator/2311", Every: time.Hour}}},
		{"reminders", []alert.Rule{{Remind: strict.Duration(time.Hour)}}, jam, night, []capture.Delivery{{Sink: "mail", Remind: time.Hour}}},
		{"by family", []alert.Rule{{Families: []string{"2311-*"}}}, family, night, capture.To("mail")},
		{"another family", []alert.Rule{{Families: []string{"2311-a"}}}, family, night, []capture.Delivery{}},
		{"a family that isn't known yet", []alert.Rule{{Families: []string{"*"}}}, jam, night, []capture.Delivery{}},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := alert.Rules{Sinks: []string{"mail"}, List: c.rules, Zone: oslo, Now: func() time.Time { return at(c.now) }}
			if diff := cmp.Diff(c.want, r.Route(c.alert)); diff != "" {
				t.Error(diff)
			}
		})
	}
	usual := alert.Rules{Sinks: []string{"log", "mail"}, Repeat: map[string]time.Duration{"mail": 10 * time.Minute}}
	want := []capture.Delivery{{Sink: "log"}, {Sink: "mail", Fold: "trip/bucket-elevator/2311", Every: 10 * time.Minute}}
	if diff := cmp.Diff(want, usual.Route(jam)); diff != "" {
		t.Error("what is usual for a sink:", diff)
	}
	usual.List = []alert.Rule{{Repeat: every(0)}}
	if diff := cmp.Diff(capture.To("log", "mail"), usual.Route(jam)); diff != "" {
		t.Error("a rule that wants each one:", diff)
	}
}
