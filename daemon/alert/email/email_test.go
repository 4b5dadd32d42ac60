package email_test

import (
	"context"
	"errors"
	"flag"
	"log/slog"
	"net"
	"net/mail"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"faultkeep/configs/strict"
	"faultkeep/daemon/alert"
	"faultkeep/daemon/alert/email"
	"faultkeep/store/capture"
)

var update = flag.Bool("update", false, "write the goldens anew")

var trip = capture.Alert{
	ID:       "20261125-031207-bucket-elevator-k3fq/capture",
	Time:     time.Date(2026, 11, 25, 2, 12, 7, 410_000_000, time.UTC),
	Kind:     capture.KindCapture,
	Severity: capture.Alarm,
	Site:     "Northquay grain terminal",
	Drive:    "bucket-elevator",
	Title:    "Bucket elevator",
	Fault:    capture.Fault{Code: 0x2311, Shown: "2311", Name: "Continuous overcurrent, output 1", Class: capture.ClassCurrent, Severity: capture.Alarm},
	Capture:  "20261125-031207-bucket-elevator-k3fq",
	Text:     "Bucket elevator tripped: Continuous overcurrent, output 1 (2311). Kept whole, 1.4 s after it was ready.",
}

// enclosed is what there is to enclose.
type enclosed struct {
	png   []byte
	brief alert.Brief
	err   error
}

func (e enclosed) Picture(context.Context, capture.ID) ([]byte, error) { return e.png, e.err }
func (e enclosed) Brief(context.Context, string) (alert.Brief, error)  { return e.brief, e.err }

var picture = enclosed{png: []byte("\x89PNG\r\n\x1a\n and the rest\r\n.\r\nof it")}

func TestMailByIndependentReader(t *testing.T) {
	for _, security := range []string{"starttls", "tls", "none"} {
		s := serve(t, security, &server{})
		cfg := email.Config{Security: security, To: []string{"Night shift <shift@northquay.example>", "works@northquay.example"}}
		before := time.Now().Add(-time.Second)
		if err := sink(s, cfg, picture).Send(t.Context(), trip); err != nil {
			t.Fatalf("%s: %v", security, err)
		}
		got := s.got()
		if len(got) != 1 || got[0].from != "faultkeep@northquay.example" || strings.Join(got[0].to, " ") != "shift@northquay.example works@northquay.example" || got[0].tls != (security != "none") {
			t.Fatalf("%s: %+v", security, got)
		}
		p := read(t, got[0].raw)
		for name, want := range map[string]string{
			"subject":        "Bucket elevator: Continuous overcurrent, output 1 (2311)",
			"from":           `"faultkeep, Northquay grain terminal" <faultkeep@northquay.example>`,
			"to":             "Night shift <shift@northquay.example>, works@northquay.example",
			"message-id":     "<20261125-031207-bucket-elevator-k3fq/capture@northquay.example>",
			"auto-submitted": "auto-generated", // RFC 3834, 5
			"importance":     "high",
			"mime-version":   "1.0",
		} {
			if p.Headers[name] != want {
				t.Errorf("%s: %q, want %q", name, p.Headers[name], want)
			}
		}
		if at, err := mail.ParseDate(p.Headers["date"]); err != nil || at.Before(before) || time.Since(at) > time.Minute {
			t.Errorf("date %q isn't that of sending", p.Headers["date"])
		}
		var kinds []string
		for _, part := range p.Parts {
			kinds = append(kinds, part.Type)
			if part.Type == "image/png" && (part.ID != "<picture>" || part.Bytes != len(picture.png)) {
				t.Errorf("picture %s of %d bytes", part.ID, part.Bytes)
			}
		}
		// RFC 2387 and RFC 2046, 5.1.4: related, of alternatives and what they show.
		if diff := cmp.Diff([]string{"multipart/related", "multipart/alternative", "text/plain", "text/html", "image/png"}, kinds); diff != "" {
			t.Error(diff)
		}
		if !strings.Contains(p.part("text/html"), `src="cid:picture"`) {
			t.Error("the page doesn't show the picture")
		}
	}
}

// The texts are read by people: whole, as goldens.
func TestWords(t *testing.T) {
	s := serve(t, "none", &server{})
	bare := func(kind capture.Kind, text string) capture.Alert {
		a := trip
		a.ID, a.Kind, a.Text, a.Capture = "x/"+string(kind), kind, text, ""
		return a
	}
	disk := capture.Alert{ID: "d", Kind: capture.KindDisk, Severity: capture.Warning, Site: trip.Site, Time: trip.Time, Text: "The volume of the store has 0.9 GiB left. Old captures make room below 256 MiB."}
	partial := trip
	partial.Kind, partial.Text = capture.KindPartial, "Bucket elevator tripped: Continuous overcurrent, output 1 (2311). Kept in part, −0.8…+0.3 s."
	reminder, several := trip, trip
	reminder.Reminder, reminder.Text = 2, "Not acknowledged for 30 min: "+trip.Text
	several.Count, several.Text = 24, "Bucket elevator tripped 24 times, Continuous overcurrent, output 1 (2311): 20 kept whole, 4 missed, between 03:12 and 04:05. The last one: "+trip.Text
	list := map[string]capture.Alert{
		"capture": trip, "partial": partial, "disk": disk,
		"miss":     bare(capture.KindMiss, "Bucket elevator tripped and its recording was missed: reset 0.3 s after it was ready; a pull takes 1.1 s. Hold the reset back 2 s."),
		"blind":    bare(capture.KindBlind, "Bucket elevator is not watched: unreachable."),
		"test":     alert.Test("Northquay grain terminal", trip.Time),
		"reminder": reminder, "several": several,
	}
	for name, a := range list {
		if a.Kind == capture.KindBlind {
			a.Fault = capture.Fault{}
		}
		if err := sink(s, email.Config{Security: "none"}, nil).Send(t.Context(), a); err != nil {
			t.Fatal(err)
		}
		mails := s.got()
		p := read(t, mails[len(mails)-1].raw)
		got := "Subject: " + p.Headers["subject"] + "\n\n" + p.part("text/plain")
		file := filepath.Join("testdata", name+".txt")
		if *update {
			if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(string(want), got); diff != "" {
			t.Errorf("%s: %s", name, diff)
		}
		if html := p.part("text/html"); strings.Contains(html, "cid:") || !strings.Contains(html, strings.Fields(a.Text)[1]) {
			t.Errorf("%s without a picture: %s", name, html)
		}
	}
}

func TestLogin(t *testing.T) {
	t.Setenv("FAULTKEEP_TEST_KEY", "s3cr3t-word")
	t.Setenv("FAULTKEEP_TEST_WRONG", "other-w0rd")
	for _, security := range []string{"starttls", "tls", "none"} {
		s := serve(t, security, &server{auth: true})
		cfg := email.Config{Security: security, User: "faultkeep", PasswordEnv: "FAULTKEEP_TEST_KEY"}
		if err := sink(s, cfg, nil).Send(t.Context(), trip); err != nil || len(s.got()) != 1 {
			t.Fatalf("%s: %v", security, err)
		}
		cfg.PasswordEnv = "FAULTKEEP_TEST_WRONG"
		err := sink(s, cfg, nil).Send(t.Context(), trip)
		if err == nil || alert.IsRefused(err) || !strings.Contains(err.Error(), "log in as faultkeep: 535") || strings.Contains(err.Error(), "w0rd") {
			t.Errorf("%s: %v", security, err)
		}
	}
	// Without STARTTLS on offer nothing is sent, least of all a password.
	s := serve(t, "none", &server{auth: true})
	err := sink(s, email.Config{User: "faultkeep", PasswordEnv: "FAULTKEEP_TEST_KEY"}, nil).Send(t.Context(), trip)
	if err == nil || alert.IsRefused(err) || len(s.logins)+len(s.got()) > 0 || !strings.Contains(err.Error(), "offers no STARTTLS") {
		t.Errorf("%v, %v", err, s.logins)
	}
}

// A 5xx is for good where it is about a recipient or the message; 4xx never is
// (RFC 5321, 4.2.1). What is wrong with login or sender can be put right.
func TestAnswers(t *testing.T) {
	for _, c := range []struct {
		step    string
		code    int
		refused bool
	}{
		{"mail", 451, false}, {"mail", 550, false}, {"rcpt", 450, false}, {"rcpt", 550, true},
		{"data", 452, false}, {"data", 554, true},
	} {
		s := serve(t, "none", &server{fails: func(step, _ string) error {
			if step == c.step {
				return code(c.code)
			}
			return nil
		}})
		err := sink(s, email.Config{Security: "none"}, nil).Send(t.Context(), trip)
		if err == nil || alert.IsRefused(err) != c.refused || !strings.Contains(err.Error(), "so it is") || !strings.Contains(err.Error(), s.address) {
			t.Errorf("%s %d: %v, refused %v", c.step, c.code, err, alert.IsRefused(err))
		}
	}
}

func TestSomeRecipients(t *testing.T) {
	soft := true
	s := serve(t, "none", &server{fails: func(step, what string) error {
		switch {
		case step == "rcpt" && strings.HasPrefix(what, "gone@"):
			return code(550)
		case step == "rcpt" && strings.HasPrefix(what, "full@") && soft:
			return code(452)
		}
		return nil
	}})
	cfg := email.Config{Security: "none", To: []string{"gone@northquay.example", "shift@northquay.example"}}
	if err := sink(s, cfg, nil).Send(t.Context(), trip); err != nil || len(s.got()) != 1 {
		t.Fatalf("one is gone, the other must have it: %v", err)
	}
	cfg.To = []string{"full@northquay.example", "shift@northquay.example", "works@northquay.example"}
	k := sink(s, cfg, nil)
	for range 2 {
		if err := k.Send(t.Context(), trip); err == nil || alert.IsRefused(err) || !strings.Contains(err.Error(), "others have it") {
			t.Fatalf("one was put off, and nobody has waited yet: %v", err)
		}
	}
	soft = false
	if err := k.Send(t.Context(), trip); err != nil {
		t.Fatal(err)
	}
	var to []string
	for _, m := range s.got()[1:] {
		to = append(to, strings.Join(m.to, " "))
	}
	if diff := cmp.Diff([]string{"shift@northquay.example works@northquay.example", "full@northquay.example"}, to); diff != "" {
		t.Errorf("each shall have it once: %s", diff)
	}
}

func TestPictureNeverStopsTheMail(t *testing.T) {
	s := serve(t, "none", &server{})
	if err := sink(s, email.Config{Security: "none"}, enclosed{err: errors.New("no such capture")}).Send(t.Context(), trip); err != nil || len(s.got()) != 1 {
		t.Errorf("can't be drawn: %v", err)
	}
	s = serve(t, "none", &server{fails: func(step, what string) error {
		if step == "data" && strings.Contains(what, "image/png") {
			return code(552)
		}
		return nil
	}})
	if err := sink(s, email.Config{Security: "none"}, picture).Send(t.Context(), trip); err != nil || len(s.got()) != 1 {
		t.Fatalf("too large with it: %v", err)
	}
	if p := read(t, s.got()[0].raw); strings.Contains(p.part("text/html"), "cid:") {
		t.Error("a picture is shown that isn't there")
	}
}

func TestTrouble(t *testing.T) {
	t.Run("connection goes before the answer", func(t *testing.T) {
		n := 0
		s := serve(t, "none", &server{fails: func(step, _ string) error {
			if n++; step == "data" && n < 4 {
				return errHangUp
			}
			return nil
		}})
		k := sink(s, email.Config{Security: "none"}, picture)
		if err := k.Send(t.Context(), trip); err == nil || alert.IsRefused(err) {
			t.Fatalf("not known to be taken: %v", err)
		}
		if err := k.Send(t.Context(), trip); err != nil {
			t.Fatal(err)
		}
		m := s.got()
		if len(m) != 2 || read(t, m[0].raw).Headers["message-id"] != read(t, m[1].raw).Headers["message-id"] {
			t.Errorf("%d mails, which receivers can't tell to be one", len(m))
		}
	})
	for _, step := range []string{"mail", "data"} {
		t.Run("hangs at "+step, func(t *testing.T) {
			release := make(chan struct{})
			defer close(release)
			s := serve(t, "none", &server{stalls: func(at string) {
				if at == step {
					<-release
				}
			}})
			err := sink(s, email.Config{Security: "none", Timeout: strict.Duration(200 * time.Millisecond)}, nil).Send(t.Context(), trip)
			if err == nil || alert.IsRefused(err) || !strings.Contains(err.Error(), "within 200ms") {
				t.Error(err)
			}
		})
	}
	raw := func(t *testing.T, talk string) *server {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { l.Close() })
		go func() {
			for {
				c, err := l.Accept()
				if err != nil {
					return
				}
				_, _ = c.Write([]byte(talk))
				_ = c.(*net.TCPConn).CloseWrite()
			}
		}()
		return &server{address: l.Addr().String()}
	}
	for name, talk := range map[string]string{"nothing": "", "not SMTP": "\x00\x01\x02\r\n", "not yet": "421 later\r\n", "never": "554 no service here\r\n", "only a greeting": "220 x\r\n"} {
		err := sink(raw(t, talk), email.Config{Security: "none", Timeout: strict.Duration(2 * time.Second)}, nil).Send(t.Context(), trip)
		if err == nil || alert.IsRefused(err) {
			t.Errorf("%s: %v", name, err)
		}
	}
	s := serve(t, "tls", &server{})
	cfg := email.Config{Server: s.address, Security: "tls", From: "a@northquay.example", To: []string{"b@northquay.example"}}
	if err := email.New(cfg, email.About{}, alert.NoEnclosures{}, slog.New(slog.DiscardHandler)).Send(t.Context(), trip); err == nil || alert.IsRefused(err) || !strings.Contains(err.Error(), "ca_file") {
		t.Errorf("not trusted: %v", err)
	}
}

func TestHostileAlert(t *testing.T) {
	s := serve(t, "none", &server{})
	for _, bad := range []string{"a\r\nBcc: thief@elsewhere.example\r\n\r\nx", "\r\n.\r\nMAIL FROM:<x@y>\r\n", "<script>alert(1)</script>", strings.Repeat("ö", 5000), "\xff\x00\u202e", "=?utf-8?q?x?="} {
		a := capture.Alert{ID: bad, Kind: capture.Kind(bad), Severity: capture.Severity(bad), Site: bad, Drive: bad, Title: bad,
			Fault: capture.Fault{Shown: bad, Name: bad}, Capture: capture.ID(bad), Text: bad}
		for _, kind := range []capture.Kind{a.Kind, capture.KindCapture} {
			a.Kind = kind
			if err := sink(s, email.Config{Security: "none"}, nil).Send(t.Context(), a); err != nil {
				t.Fatalf("%q: %v", bad, err)
			}
			mails := s.got()
			m := mails[len(mails)-1]
			p := read(t, m.raw)
			if p.Headers["bcc"] != "" || len(m.to) != 1 || strings.Contains(p.part("text/html"), "<script>") || len([]rune(p.Headers["subject"])) > 125 {
				t.Errorf("%q: %v", bad, p)
			}
			if id := p.Headers["message-id"]; strings.Count(id, "@") != 1 || strings.ContainsAny(id, " \r\n") || len(id) > 200 {
				t.Errorf("Message-ID %q", id)
			}
		}
	}
	if n := len(s.got()); n != 12 {
		t.Errorf("%d mails, want 12", n)
	}
}

func TestBrief(t *testing.T) {
	s := serve(t, "none", &server{})
	a := capture.Alert{ID: "brief-1", Kind: capture.KindBrief, Brief: "b1", Text: "4 trips kept, 1 missed."}
	b := enclosed{brief: alert.Brief{Subject: "Overnight: 4 trips kept, 1 missed", Text: "All of it.", HTML: `<p>All of it.<img src="cid:one"><img src="cid:two">`,
		Pictures: map[string][]byte{"one": []byte("1"), "two": []byte("22")}}}
	if err := sink(s, email.Config{Security: "none"}, b).Send(t.Context(), a); err != nil {
		t.Fatal(err)
	}
	p := read(t, s.got()[0].raw)
	if p.Headers["subject"] != b.brief.Subject || strings.TrimSpace(p.part("text/plain")) != b.brief.Text || strings.TrimSpace(p.part("text/html")) != b.brief.HTML ||
		len(p.Parts) != 6 || p.Parts[4].ID != "<one>" || p.Parts[5].ID != "<two>" || p.Parts[5].Bytes != 2 {
		t.Errorf("%+v", p)
	}
	if err := sink(s, email.Config{Security: "none"}, nil).Send(t.Context(), a); err != nil {
		t.Fatal(err)
	}
	if p := read(t, s.got()[1].raw); p.Headers["subject"] != "4 trips kept, 1 missed" {
		t.Errorf("%+v", p)
	}
}

// Two alerts never share a Message-ID, however odd their IDs: a receiver would drop one.
func TestMessageIDsDiffer(t *testing.T) {
	s := serve(t, "none", &server{})
	seen := map[string]string{}
	long := strings.Repeat("x", 200)
	for _, id := range []string{"a b", "a.b", "a-b", "a@b", long + "1", long + "2"} {
		a := trip
		a.ID = id
		if err := sink(s, email.Config{Security: "none"}, nil).Send(t.Context(), a); err != nil {
			t.Fatal(err)
		}
		mails := s.got()
		got := read(t, mails[len(mails)-1].raw).Headers["message-id"]
		if other, twice := seen[got]; twice {
			t.Errorf("%q and %q are both %s", id, other, got)
		}
		seen[got] = id
	}
}
