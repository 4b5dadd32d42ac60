package daemon_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"faultkeep/daemon"
	"faultkeep/daemon/archive"
	"faultkeep/daemon/brief"
	"faultkeep/sources/drivesim"
	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

// mornings is a store of which briefs are made in virtual time. The store
// itself lies on a real disk.
type mornings struct {
	t    *testing.T
	path string
	zone *time.Location
	at   string
	dir  string

	store *store.Store
	stop  func()
}

func newMornings(t *testing.T, at string) *mornings {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Oslo")
	if err != nil {
		t.Fatal(err)
	}
	return &mornings{t: t, path: filepath.Join(t.TempDir(), archive.StoreFile), zone: zone, at: at, dir: filepath.Join(t.TempDir(), "briefs")}
}

// on switches faultkeep on; off switches it off.
func (m *mornings) on() {
	m.t.Helper()
	s, err := store.Open(ctxB, store.Options{Path: m.path, Site: "Northquay"})
	if err != nil {
		m.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(ctxB)
	done := make(chan struct{})
	go func() {
		defer close(done)
		daemon.Morning(ctx, s, archive.Pages(s), m.at, m.zone, m.dir, "mail", "log")
	}()
	m.store, m.stop = s, func() {
		cancel()
		<-done
		if err := s.Close(); err != nil {
			m.t.Error(err)
		}
	}
}

// sent are the times at which the alerts say that they were made, in the zone.
func (m *mornings) sent(sink string) (out []string, alerts []capture.Alert) {
	m.t.Helper()
	box, err := m.store.Outbox(ctxB, sink, 0)
	if err != nil {
		m.t.Fatal(err)
	}
	for _, msg := range box {
		out = append(out, msg.Alert.Time.In(m.zone).Format("2006-01-02 15:04 MST"))
		alerts = append(alerts, msg.Alert)
	}
	return out, alerts
}

var ctxB = context.Background()

// until sleeps to a time on Oslo's clocks in the bubble's year, 2000.
func (m *mornings) until(month time.Month, day, hour, minute int) {
	time.Sleep(time.Until(time.Date(2000, month, day, hour, minute, 30, 0, m.zone)))
	synctest.Wait()
}

// Both clock changes of the year 2000 in Oslo, 26 March and 29 October (IANA
// time zone database): one brief a day, each from where the last one ended,
// through restarts at any time.
func TestABriefADayThroughClockChanges(t *testing.T) {
	for name, at := range map[string]string{"six": "06:00", "in the gap": "02:30", "midnight": "00:00"} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				m := newMornings(t, at)
				for _, change := range []struct {
					month time.Month
					day   int
				}{{time.March, 26}, {time.October, 29}} {
					m.until(change.month, change.day-2, 12, 0)
					m.on()
					for hours := range 5 * 24 {
						time.Sleep(time.Hour)
						if hours%7 == 3 {
							m.stop()
							m.on()
						}
					}
					synctest.Wait()
					sent, alerts := m.sent("mail")
					m.stop()
					if change.month == time.October {
						if len(sent) < 6 { // the first also tells of the summer in which faultkeep was off
							t.Fatalf("sent %q", sent)
						}
						sent, alerts = sent[len(sent)-5:], alerts[len(alerts)-5:]
					}
					if len(sent) != 5 {
						t.Fatalf("five days, and sent %q", sent)
					}
					for i, s := range sent {
						day := time.Date(2000, change.month, change.day-1+i, 0, 0, 0, 0, m.zone).Format(time.DateOnly)
						hour := s[len("2006-01-02 "):len("2006-01-02 15:04")]
						if !strings.HasPrefix(s, day) || hour != at && !(at == "02:30" && i == 1 && change.month == time.March) {
							t.Errorf("brief %d is of %s, want %s %s", i, s, day, at)
						}
						if alerts[i].Kind != capture.KindBrief || alerts[i].Brief != alerts[i].ID || alerts[i].Text == "" {
							t.Errorf("%+v", alerts[i])
						}
					}
				}
				m.on()
				defer m.stop()
				if a, _ := m.sent("mail"); len(a) == 0 {
					t.Fatal("nothing was sent")
				} else if b, _ := m.sent("log"); len(a) != len(b) {
					t.Errorf("%d to one sink and %d to the other", len(a), len(b))
				}
				chained(t, m.store)
			})
		})
	}
}

// chained wants each brief to begin where the last one ended.
func chained(t *testing.T, s *store.Store) {
	t.Helper()
	var later store.Brief
	for at := time.Now(); ; {
		b, found, err := s.LastBrief(ctxB, at)
		if err != nil {
			t.Fatal(err)
		}
		if !found || b.ID == "" {
			return
		}
		if later.ID != "" && !b.To.Equal(later.From) {
			t.Errorf("%s ends %s and %s begins %s", b.ID, b.To, later.ID, later.From)
		}
		later, at = b, b.Slot.Add(-1)
	}
}

// A computer that is off at six makes the brief when it is on again, once, and
// it tells of all the time since the last one.
func TestOffInTheMorning(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newMornings(t, "06:00")
		m.until(time.February, 1, 12, 0)
		m.on()
		if sent, _ := m.sent("mail"); len(sent) > 0 {
			t.Errorf("a brief of a time before anybody wanted one: %q", sent)
		}
		m.until(time.February, 2, 6, 0)
		m.until(time.February, 2, 22, 0)
		m.stop()
		m.until(time.February, 5, 9, 30) // off for three mornings
		m.on()
		synctest.Wait()
		m.stop()
		m.on() // and again, as after a crash
		m.until(time.February, 5, 9, 45)
		want := []string{"2000-02-02 06:00 CET", "2000-02-05 09:30 CET"}
		sent, alerts := m.sent("mail")
		if strings.Join(sent, "; ") != strings.Join(want, "; ") {
			t.Fatalf("sent %q, want %q", sent, want)
		}
		late, err := m.store.Brief(ctxB, alerts[1].Brief)
		if err != nil || late.From.In(m.zone).Format("2 15:04") != "2 06:00" {
			t.Errorf("it begins %s, %v", late.From, err)
		}
		m.until(time.February, 6, 6, 0)
		if sent, _ = m.sent("mail"); len(sent) != 3 || sent[2] != "2000-02-06 06:00 CET" {
			t.Errorf("the morning after: %q", sent)
		}
		chained(t, m.store)

		// The files are those of the store, named after the site's day.
		for _, extension := range []string{".txt", ".html", ".json"} {
			for _, day := range []string{"2000-02-02", "2000-02-05", "2000-02-06"} {
				if b, err := os.ReadFile(filepath.Join(m.dir, "brief-"+day+extension)); err != nil || len(b) == 0 {
					t.Error(err)
				}
			}
		}
		b, err := os.ReadFile(filepath.Join(m.dir, "brief-2000-02-05.txt"))
		if err != nil || string(b) != late.Text || !strings.HasPrefix(late.Text, alerts[1].Text+"\n") {
			t.Errorf("%v: the file says\n%s\nthe store\n%s", err, b, late.Text)
		}
		// By mail goes all of it, as it was kept.
		mail, err := daemon.Enclosures(m.store, "Northquay").Brief(ctxB, alerts[1].Brief)
		if err != nil || mail.Text != late.Text || !strings.HasPrefix(mail.Subject, "Northquay: ") || !strings.Contains(mail.HTML, "<h1>") {
			t.Errorf("%v: %+v", err, mail)
		}
		m.stop()
	})
	// The folder is emptied, or wasn't there: the last brief's files come again.
	synctest.Test(t, func(t *testing.T) {
		m := newMornings(t, "06:00")
		m.until(time.February, 1, 12, 0)
		if err := os.WriteFile(m.dir, []byte("in the way"), 0o600); err != nil {
			t.Fatal(err)
		}
		m.on()
		m.until(time.February, 2, 7, 0)
		if sent, _ := m.sent("mail"); len(sent) != 1 {
			t.Errorf("sent %q while the folder is missing", sent)
		}
		if err := os.Remove(m.dir); err != nil {
			t.Fatal(err)
		}
		m.until(time.February, 2, 7, 2)
		if _, err := os.Stat(filepath.Join(m.dir, "brief-2000-02-02.html")); err != nil {
			t.Error(err)
		}
		m.stop()
		storetest.Check(t, m.path)
	})
}

// The whole of it: a brief that is owed when faultkeep starts goes to its sink
// and its folder, and a command asked meanwhile is told how the drives are now.
func TestBriefThatIsOwed(t *testing.T) {
	p := newPlant(t, drivesim.Spec{Name: "elevator"}, drivesim.Behaviour{})
	folder := filepath.Join(filepath.Dir(p.config), "briefs")
	f, err := os.OpenFile(p.config, os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteString("brief: {at: \"00:00\", to: [hook], folder: briefs}\n"); err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(f.Close(), os.MkdirAll(p.data, 0o700)); err != nil {
		t.Fatal(err)
	}
	s, err := store.Open(t.Context(), store.Options{Path: filepath.Join(p.data, archive.StoreFile)})
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(s.BriefsFrom(t.Context(), time.Now().AddDate(0, 0, -3)), s.Close()); err != nil {
		t.Fatal(err)
	}
	app := p.start(t)
	var b store.Brief
	eventually(t, "a brief", func() bool { b, err = app.Store.Brief(t.Context(), ""); return err == nil })
	eventually(t, "its files", func() bool { found, _ := filepath.Glob(filepath.Join(folder, "brief-*.*")); return len(found) == 3 })
	eventually(t, "its alert", func() bool {
		left, err := app.Store.Outbox(t.Context(), "hook", 0)
		return err == nil && len(left) == 0 && p.alerts.Load() > 0
	})
	if !strings.Contains(b.Text, "Northquay") || time.Since(b.To) > time.Minute {
		t.Errorf("until %s: %s", b.To, b.Text)
	}
	eventually(t, "watched", func() bool {
		a, err := archive.Open(t.Context(), p.data)
		if err != nil {
			t.Fatal(err)
		}
		defer a.Close()
		now, err := brief.Gather(t.Context(), a, brief.Options{From: b.To, To: time.Now()})
		if err != nil {
			t.Fatal(err)
		}
		return now.Unknown == "" && len(now.Now) == 0 && now.Site == "Northquay"
	})
}

var _ brief.Archive = (*archive.Kept)(nil)
