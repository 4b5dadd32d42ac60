package config_test

import (
	"log/slog"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"faultkeep/daemon/alert"
	"faultkeep/daemon/config"
	"faultkeep/store/capture"
)

func TestExplain(t *testing.T) {
	l := parse(t, `
site: Northquay grain terminal
timezone: Europe/Oslo
data: data
store: {keep_for: 400d, max_size: 20GiB}
drives:
  - {name: bucket-elevator, title: Bucket elevator, address: 192.0.2.11, map: maps/block.yaml}
  - {name: belt-2, address: 192.0.2.12, map: maps/window.yaml, allow: [page], poll: 1s}
  - {name: belt-3, address: 192.0.2.13, unit: 3, map: maps/window.yaml, allow: [page, arm], connections: 2}
  - {name: fan, address: 192.0.2.14, map: maps/block.yaml, allow: [arm, page]}
alerts:
  sinks:
    - {name: log, log: {}}
    - {name: control-room, webhook: {url: "https://alarms.northquay.example/x"}}
  rules:
    - {drives: ["belt-*"], severity: warning, to: [control-room]}
    - {drives: [bucket-elevator], classes: [current], codes: ["23*"]}
    - {kinds: [blind], drives: [belt-2, fan], to: [log]}
brief: {at: "06:00", to: [log]}
`)
	want := `Northquay grain terminal, times in Europe/Oslo.
Captures are kept in DATA.
Captures are dropped when they are older than 400 days, or when all come to more than 20GiB; a disk with less than 1GiB left is told, below 256MiB old captures make room for new ones, below 16MiB no new ones are kept.
The page is at http://127.0.0.1:8377 and can be reached from this computer only.

4 drives:
  bucket-elevator (Bucket elevator) at 192.0.2.11:502 unit 1, map block, is polled every 250ms; it is only read. Its recorder must be armed by the drive itself or by somebody else, since allow: [arm] isn't given.
  belt-2 at 192.0.2.12:502 unit 1, map window, is polled every 1s and pulled over 4 connections; faultkeep may write holding 300 to show a page of the recording, and nothing else. Its recorder must be armed by the drive itself or by somebody else, since allow: [arm] isn't given.
  belt-3 at 192.0.2.13:502 unit 3, map window, is polled every 250ms and pulled over 2 connections; faultkeep may write holding 300 to show a page of the recording, and holding 600, holding 602–603 to arm the recorder again once a capture is kept, and nothing else.
  fan at 192.0.2.14:502 unit 1, map block, is polled every 250ms; faultkeep may write holding 600, holding 602–603 to arm the recorder again once a capture is kept, and nothing else.

Alerts:
  log writes a line to the log.
  control-room posts to https://alarms.northquay.example.
  Captures, partial captures, misses, drifted settings and damage of belt-*, of severity warning or above, go to control-room.
  Captures, partial captures, misses, drifted settings and damage of bucket-elevator, fault class current, fault code 23*, go to every sink.
  Alerts of kind blind of belt-2, fan go to log.
  No rule takes in fan: nobody is told of its trips.
  The brief is made every day at 06:00 and goes to log.
`
	if diff := cmp.Diff(want, strings.ReplaceAll(l.Explain(), l.Config.Data, "DATA")); diff != "" {
		t.Error(diff)
	}
}

func TestRulesAndSinks(t *testing.T) {
	l := parse(t, `
data: data
drives: [{name: a, address: 192.0.2.1, map: maps/block.yaml}]
alerts:
  sinks:
    - {name: log, log: {}}
    - {name: hook, webhook: {url: "https://alarms.northquay.example/x"}}
  rules: [{to: [hook]}]
`)
	if got := l.Rules().Route(capture.Alert{Kind: capture.KindMiss, Drive: "a"}); len(got) != 1 || got[0].Sink != "hook" {
		t.Errorf("goes to %v", got)
	}
	sinks := l.Sinks(slog.New(slog.DiscardHandler), alert.NoEnclosures{})
	if len(sinks) != 2 || sinks["log"] == nil || sinks["hook"] == nil {
		t.Errorf("%v", sinks)
	}
	if err := sinks["log"].Send(t.Context(), capture.Alert{ID: "1"}); err != nil {
		t.Error(err)
	}
}

func TestExplainsEverySink(t *testing.T) {
	dir := t.TempDir()
	l, problems := config.Parse(filepath.Join(dir, "faultkeep.yaml"), []byte(`
data: data
drives: [{name: a, address: 192.0.2.1, map: builtin:generic-block}]
alerts:
  sinks:
    - {name: alert-file, file: {path: alerts.jsonl}}
    - {name: plant-log, syslog: {address: logs.northquay.example, network: tls}}
    - {name: shift, email: {server: mail.northquay.example, from: faultkeep@northquay.example, to: [shift@northquay.example, works@northquay.example]}}
    - {name: scada, mqtt: {server: broker.northquay.example}}
`))
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	for _, want := range []string{
		"alert-file appends to " + filepath.Join(dir, "alerts.jsonl") + ".",
		"plant-log sends syslog to logs.northquay.example:6514 over TLS.",
		"shift sends mail to shift@northquay.example, works@northquay.example by mail.northquay.example:587 with STARTTLS.",
		"scada publishes by MQTT to broker.northquay.example:8883 over TLS, and shows every drive's state there.",
	} {
		if got := l.Explain(); !strings.Contains(got, want) {
			t.Errorf("%q isn't in:\n%s", want, got)
		}
	}
}

// People's mail is sparing by itself; a rule that wants each alert gets each.
func TestMailIsSparing(t *testing.T) {
	l := parse(t, `
data: data
drives: [{name: a, address: 192.0.2.1, map: maps/block.yaml}]
alerts:
  sinks:
    - {name: log, log: {}}
    - {name: shift, email: {server: mail.northquay.example, from: faultkeep@northquay.example, to: [shift@northquay.example]}}
`)
	trip := capture.Alert{Kind: capture.KindMiss, Drive: "a"}
	got := l.Rules().Route(trip)
	if len(got) != 2 || got[0].Every != 0 || got[1].Every != 10*time.Minute || got[1].Fold == "" {
		t.Errorf("%+v", got)
	}
}
