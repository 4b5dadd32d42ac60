package web

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"faultkeep/daemon/web/wire"
	"faultkeep/store/capture"
)

// body reads a JSON body that holds nothing unknown; what says what it is.
func body(r *http.Request, v any, what string) error {
	in := json.NewDecoder(r.Body)
	in.DisallowUnknownFields()
	if err := in.Decode(v); err != nil {
		return wire.Say(wire.ErrRequest, what)
	}
	return nil
}

func (s *server) apiAlarms(w http.ResponseWriter, r *http.Request) error {
	list, err := s.Store.Alarms(r.Context())
	return answer(w, states(list), err)
}

// alarmNow is an alarm with its state in words.
type alarmNow struct {
	capture.OpenAlarm
	State capture.AlarmState `json:"state"`
}

func states(list []capture.OpenAlarm) []alarmNow {
	out := make([]alarmNow, len(list))
	for i, a := range list {
		out[i] = alarmNow{a, a.State()}
	}
	return out
}

func (s *server) apiAcknowledge(w http.ResponseWriter, r *http.Request) error {
	var a wire.Acknowledging
	if err := body(r, &a, "alarms to acknowledge are JSON with keys and, if it is known, by"); err != nil {
		return err
	}
	if len(a.Keys) == 0 {
		return wire.Say(wire.ErrRequest, "no alarm is named; keys is a list of their keys")
	}
	return answer(w, a, s.Store.Acknowledge(r.Context(), a.By, a.Keys...))
}

func (s *server) apiQuiets(w http.ResponseWriter, r *http.Request) error {
	list, err := s.Store.Quiets(r.Context())
	return answer(w, list, err)
}

func (s *server) apiAddQuiet(w http.ResponseWriter, r *http.Request) error {
	var q capture.Quiet
	if err := body(r, &q, "a quiet time is JSON with from, to (RFC 3339) and, if wanted, drives, note, by"); err != nil {
		return err
	}
	q, err := s.Store.AddQuiet(r.Context(), q)
	return answer(w, q, err)
}

func (s *server) apiEndQuiet(w http.ResponseWriter, r *http.Request) error {
	id := r.PathValue("id")
	return answer(w, map[string]string{"id": id}, s.Store.EndQuiet(r.Context(), id, r.URL.Query().Get("by")))
}

func (s *server) apiBoxes(w http.ResponseWriter, r *http.Request) error {
	list, err := s.Store.Boxes(r.Context())
	return answer(w, list, err)
}

const refusedWhat = "a message that was set aside is named by JSON with sink and seq"

func (s *server) apiSendAgain(w http.ResponseWriter, r *http.Request) error {
	var m wire.Refused
	if err := body(r, &m, refusedWhat); err != nil {
		return err
	}
	return answer(w, m, s.Store.SendAgain(r.Context(), m.Sink, m.Seq))
}

func (s *server) apiForget(w http.ResponseWriter, r *http.Request) error {
	var m wire.Refused
	if err := body(r, &m, refusedWhat); err != nil {
		return err
	}
	return answer(w, m, s.Store.Forget(r.Context(), m.Sink, m.Seq))
}

// alertsPage shows what nobody has acknowledged, quiet times, and whether
// alerts get through.
type alertsPage struct {
	frame
	Alarms  []alarmRow
	Open    int // not acknowledged
	Quiets  []quietRow
	Drives  []choice
	Soonest string // for the form
	Sinks   []sinkRow
}

type alarmRow struct {
	Key, Text, Href, State, Since, Machine, Count, By string
	Look                                              bool // nobody has acknowledged it
}

type quietRow struct {
	ID, Drives, From, To, Note, By string
	Now                            bool
}

type sinkRow struct {
	Name, Text, Trouble string
	Aside               []refusedRow
}

type refusedRow struct {
	Seq             uint64
	When, Text, Why string
}

func (s *server) alerts(w http.ResponseWriter, r *http.Request) error {
	ctx, clock := r.Context(), s.clock()
	page := alertsPage{frame: s.frame("Alerts"), Soonest: s.Now().In(s.Zone).Add(4 * time.Hour).Format("2006-01-02T15:04")}
	alarms, err := s.Store.Alarms(ctx)
	if err != nil {
		return err
	}
	for _, a := range alarms {
		row := alarmRow{Key: a.Key, Text: a.Alert.Text, State: string(a.State()), Since: clock.short(a.Since), Machine: a.Since.UTC().Format(time.RFC3339),
			By: a.AckedBy, Look: a.Acked.IsZero(), Href: about(a.Alert)}
		if a.Count > 1 {
			row.Count = fmt.Sprintf("%d times, the last one %s", a.Count, clock.short(a.Alert.Time))
		}
		if row.Look {
			page.Open++
		}
		page.Alarms = append(page.Alarms, row)
	}
	quiets, err := s.Store.Quiets(ctx)
	if err != nil {
		return err
	}
	labels := map[string]string{}
	for _, d := range s.Live.Drives() {
		labels[d.Name] = d.Label()
		page.Drives = append(page.Drives, choice{Text: d.Label(), Href: d.Name})
	}
	for _, q := range quiets {
		page.Quiets = append(page.Quiets, quietRow{ID: q.ID, Drives: quietDrives(q, labels), From: clock.short(q.From), To: clock.short(q.To), Note: q.Note, By: q.By, Now: !s.Now().Before(q.From)})
	}
	boxes, err := s.Store.Boxes(ctx)
	if err != nil {
		return err
	}
	for _, b := range boxes {
		page.Sinks = append(page.Sinks, s.sinkRow(b))
	}
	s.show(w, r, http.StatusOK, "alerts.html", page)
	return nil
}

func about(a capture.Alert) string {
	switch {
	case a.Capture != "":
		return "/capture/" + string(a.Capture)
	case a.Drive != "":
		return "/drive/" + a.Drive
	}
	return "/"
}

func quietDrives(q capture.Quiet, labels map[string]string) string {
	if len(q.Drives) == 0 {
		return "All drives"
	}
	names := make([]string, len(q.Drives))
	for i, d := range q.Drives {
		if names[i] = labels[d]; names[i] == "" {
			names[i] = d
		}
	}
	return strings.Join(names, ", ")
}

func (s *server) sinkRow(b capture.SinkBox) sinkRow {
	clock := s.clock()
	row := sinkRow{Name: b.Sink, Text: plural(b.Accepted, "alert taken", "alerts taken")}
	if b.Held > 0 {
		row.Text += fmt.Sprintf(", %d held for later by a rule or a quiet time", b.Held)
	}
	if b.Dropped > 0 {
		row.Text += fmt.Sprintf(", %d dropped unsent, since the outbox was full", b.Dropped)
	}
	switch {
	case b.LastError != "":
		row.Trouble = fmt.Sprintf("%s not taken yet, the oldest of %s. Tried %s; last answer: %s.", plural(b.Waiting, "alert", "alerts"), clock.short(b.Oldest),
			plural(b.Tries, "time", "times"), b.LastError)
	case b.Waiting > 0:
		row.Text += fmt.Sprintf(", %d on the way", b.Waiting)
	}
	for _, m := range b.Aside {
		row.Aside = append(row.Aside, refusedRow{m.Seq, clock.short(m.Alert.Time), m.Alert.Text, m.LastError})
	}
	return row
}

// acknowledge takes the alarms page's form: key as often as there are alarms.
func (s *server) acknowledge(w http.ResponseWriter, r *http.Request) error {
	return s.told(w, r, func(who string) error {
		keys := r.PostForm["key"]
		if len(keys) == 0 {
			return wire.Say(wire.ErrRequest, "No alarm is chosen; choose one, then acknowledge it.")
		}
		return s.Store.Acknowledge(r.Context(), who, keys...)
	})
}

func (s *server) addQuiet(w http.ResponseWriter, r *http.Request) error {
	return s.told(w, r, func(who string) error {
		v := r.PostForm
		q := capture.Quiet{From: s.Now(), Note: v.Get("note"), By: who}
		for _, d := range v["drive"] {
			if d != "" {
				q.Drives = append(q.Drives, d)
			}
		}
		for key, at := range map[string]*time.Time{"from": &q.From, "to": &q.To} {
			text := v.Get(key)
			if text == "" && key == "from" {
				continue // now
			}
			t, err := time.ParseInLocation("2006-01-02T15:04", text, s.Zone)
			if err != nil {
				return wire.Say(wire.ErrRequest, strconv.Quote(key)+" is a time such as 2026-11-25T16:00.")
			}
			*at = t
		}
		_, err := s.Store.AddQuiet(r.Context(), q)
		return err
	})
}

func (s *server) endQuiet(w http.ResponseWriter, r *http.Request) error {
	return s.told(w, r, func(who string) error { return s.Store.EndQuiet(r.Context(), r.PostForm.Get("id"), who) })
}

// refused sends a message again that was set aside, or forgets it.
func (s *server) refused(w http.ResponseWriter, r *http.Request) error {
	return s.told(w, r, func(string) error {
		v := r.PostForm
		seq, err := strconv.ParseUint(v.Get("seq"), 10, 64)
		if err != nil {
			return wire.Say(wire.ErrRequest, `"seq" is the number of a message.`)
		}
		if v.Get("do") == "forget" {
			return s.Store.Forget(r.Context(), v.Get("sink"), seq)
		}
		return s.Store.SendAgain(r.Context(), v.Get("sink"), seq)
	})
}

// told does what a form of the alerts page asks for and goes back there.
func (s *server) told(w http.ResponseWriter, r *http.Request, do func(who string) error) error {
	if err := readForm(r); err != nil {
		return err
	}
	who := whose(r.Context())
	if who == everybody {
		who = ""
	}
	if err := do(who); err != nil {
		return err
	}
	http.Redirect(w, r, "/alerts", http.StatusSeeOther)
	return nil
}

// toldNow says in few words what waits for somebody on the alerts page.
func (s *server) toldNow(ctx context.Context, page *overnightPage) error {
	alarms, err := s.Store.Alarms(ctx)
	if err != nil {
		return err
	}
	open := 0
	for _, a := range alarms {
		if a.Acked.IsZero() {
			open++
		}
	}
	if open > 0 {
		page.Alarms = plural(open, "alarm that nobody has acknowledged.", "alarms that nobody has acknowledged.")
	}
	boxes, err := s.Store.Boxes(ctx)
	if err != nil {
		return err
	}
	refused := 0
	for _, b := range boxes {
		if b.Tries > 0 { // what is on the way, or held on purpose, troubles nobody
			refused += b.Waiting
		}
	}
	if refused > 0 {
		page.Waiting = plural(refused, "alert isn't accepted by its receiver yet.", "alerts aren't accepted by their receivers yet.")
	}
	quiets, err := s.Store.Quiets(ctx)
	var until []string
	for _, q := range quiets {
		if !s.Now().Before(q.From) {
			until = append(until, fmt.Sprintf("Quiet until %s: %s.", s.clock().short(q.To), quietDrives(q, nil)))
		}
	}
	page.Quiet = strings.Join(until, " ")
	return err
}
