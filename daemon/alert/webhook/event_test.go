package webhook_test

import (
	"encoding/json"
	"io"
	"mime"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/cloudevents/sdk-go/v2/binding"
	"github.com/cloudevents/sdk-go/v2/event"
	cehttp "github.com/cloudevents/sdk-go/v2/protocol/http"
	"github.com/google/go-cmp/cmp"

	"faultkeep/daemon/alert/webhook"
	"faultkeep/store/capture"
)

var trip = capture.Alert{
	ID:       "20261125-031207-bucket-elevator-k3fq/capture",
	Time:     time.Date(2026, 11, 25, 4, 12, 7, 410_000_000, time.FixedZone("CET", 3600)),
	Kind:     capture.KindCapture,
	Severity: capture.Alarm,
	Site:     "Northquay grain terminal",
	Drive:    "bucket-elevator",
	Title:    "Bucket elevator",
	Fault:    capture.Fault{Code: 0x2311, Shown: "2311", Name: "Continuous overcurrent <no. 1>", Class: capture.ClassCurrent, Severity: capture.Alarm},
	Capture:  "20261125-031207-bucket-elevator-k3fq",
	Text:     "Bucket elevator tripped: kept whole, 1.4 s after it was ready.",
}

// post sends one alert and hands back the request as the receiver saw it.
func post(t *testing.T, cfg webhook.Config, link string, a capture.Alert) (*http.Request, []byte) {
	t.Helper()
	var got *http.Request
	var body []byte
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		got = r
		body, _ = io.ReadAll(r.Body)
		w.WriteHeader(http.StatusAccepted)
	}))
	defer s.Close()
	cfg.URL = s.URL + "/hook"
	if err := webhook.New(cfg, link).Send(t.Context(), a); err != nil {
		t.Fatal(err)
	}
	return got, body
}

// read parses a request by the CloudEvents project's own Go library, which
// shares no code with ours, and validates it there.
func read(t *testing.T, r *http.Request, body []byte) event.Event {
	t.Helper()
	m := cehttp.NewMessage(r.Header, io.NopCloser(strings.NewReader(string(body))))
	if m.ReadEncoding() != binding.EncodingStructured {
		t.Fatalf("not in structured mode: %v", m.ReadEncoding())
	}
	e, err := binding.ToEvent(t.Context(), m)
	if err != nil {
		t.Fatalf("%v in %s", err, body)
	}
	if err := e.Validate(); err != nil {
		t.Errorf("%v in %s", err, body)
	}
	return *e
}

func TestEventByIndependentReader(t *testing.T) {
	r, body := post(t, webhook.Config{}, "http://edge-pc.example:8377/", trip)
	e := read(t, r, body)
	got := []string{e.SpecVersion(), e.ID(), e.Source(), e.Type(), e.Subject(), e.DataContentType(), e.Time().Format(time.RFC3339Nano)}
	want := []string{"1.0", trip.ID, "/faultkeep/northquay-grain-terminal/bucket-elevator", "faultkeep.capture.kept",
		"20261125-031207-bucket-elevator-k3fq", "application/json", "2026-11-25T03:12:07.41Z"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	var data struct {
		capture.Alert
		Page string
	}
	if err := e.DataAs(&data); err != nil {
		t.Fatal(err)
	}
	if data.Page != "http://edge-pc.example:8377/capture/20261125-031207-bucket-elevator-k3fq" {
		t.Errorf("page %q", data.Page)
	}
	if diff := cmp.Diff(trip, data.Alert); diff != "" {
		t.Errorf("data is not the alert:\n%s", diff)
	}
}

func TestTypesAndSubjects(t *testing.T) {
	for kind, want := range map[capture.Kind]string{
		capture.KindCapture: "faultkeep.capture.kept",
		capture.KindPartial: "faultkeep.capture.partial",
		capture.KindMiss:    "faultkeep.miss",
		capture.KindBlind:   "faultkeep.blind",
		capture.KindDrift:   "faultkeep.drift",
		capture.KindDamage:  "faultkeep.damage",
	} {
		a := trip
		a.Kind, a.Capture = kind, ""
		if kind == capture.KindDamage {
			a.Drive = ""
		}
		r, body := post(t, webhook.Config{}, "", a)
		e := read(t, r, body)
		if e.Type() != want || e.Subject() != a.Drive {
			t.Errorf("%s: type %q, subject %q", kind, e.Type(), e.Subject())
		}
	}
}

// CloudEvents 1.0: id, source, specversion and type are required. The further
// rules (attribute names, URI reference, RFC 3339 time, no empty attribute, 64 KiB,
// media type of the structured mode) are from memory of the same specification.
func TestEventRules(t *testing.T) {
	hostile := trip
	hostile.Site, hostile.Drive, hostile.Capture = "Nørre Kaj / ⟨3⟩", `Förderband #3?a=b&c "x"%zz`, ""
	bare := capture.Alert{ID: "1", Kind: capture.KindDamage, Text: "x"}
	for _, a := range []capture.Alert{trip, hostile, bare} {
		r, body := post(t, webhook.Config{}, "", a)
		if kind, params, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "application/cloudevents+json" || params["charset"] != "utf-8" {
			t.Errorf("content type %q", r.Header.Get("Content-Type"))
		}
		if r.Method != http.MethodPost {
			t.Errorf("method %s", r.Method)
		}
		read(t, r, body)
		var attrs map[string]json.RawMessage
		if err := json.Unmarshal(body, &attrs); err != nil {
			t.Fatal(err)
		}
		text := func(name string) string {
			var s string
			if raw, ok := attrs[name]; ok {
				if err := json.Unmarshal(raw, &s); err != nil {
					t.Errorf("%s is not a string: %s", name, raw)
				}
				if s == "" {
					t.Errorf("%s is there, so it must not be empty", name)
				}
			}
			return s
		}
		for name := range attrs {
			if !regexp.MustCompile(`^[a-z0-9]{1,20}$`).MatchString(name) {
				t.Errorf("attribute name %q", name)
			}
		}
		if text("specversion") != "1.0" || text("id") != a.ID || text("type") == "" {
			t.Errorf("required attributes in %s", body)
		}
		source := text("source")
		if u, err := url.Parse(source); err != nil || u.RawQuery != "" || u.Fragment != "" || !regexp.MustCompile(`^[!-~]+$`).MatchString(source) {
			t.Errorf("source %q is not a URI reference of one path", source)
		} else if parts := strings.Split(u.EscapedPath(), "/"); a.Drive != "" && (len(parts) != 4 || u.Path[strings.LastIndex(u.Path, "/")+1:] != a.Drive) {
			t.Errorf("source %q doesn't name the drive %q", source, a.Drive)
		}
		if when := text("time"); when != "" {
			if at, err := time.Parse(time.RFC3339Nano, when); err != nil || !at.Equal(a.Time) {
				t.Errorf("time %q", when)
			}
		} else if !a.Time.IsZero() {
			t.Error("no time")
		}
		text("subject")
		text("datacontenttype")
		if len(body) > 64<<10 { // "Size Limits"
			t.Errorf("%d bytes", len(body))
		}
	}
}
