package study

import (
	"cmp"
	"context"
	"slices"
	"time"

	"faultkeep/daemon/analysis/recurrence"
	"faultkeep/daemon/web/wire"
	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/coverage"
)

// Recurrences say how often trips come, the drive before its fault codes and
// these before their families. Trips are the captures and the misses of the
// period; rates count watched time only.
func (d *Desk) Recurrences(ctx context.Context, q wire.Query) ([]wire.Recurrence, error) {
	asked := store.Query{Since: q.Since, Until: q.Until, Fault: q.Fault}
	if q.Drive != "" {
		asked.Drives = []string{q.Drive}
	}
	t, err := d.trips(ctx, asked)
	if err != nil {
		return nil, err
	}
	watched, err := d.watched(ctx, asked, t)
	if err != nil {
		return nil, err
	}
	repairs, err := d.store.Repairs(ctx, q.Drive)
	if err != nil {
		return nil, err
	}
	// A drive without trips is told too: that it is quiet is what somebody hopes for.
	drives := map[string]bool{}
	for drive := range watched {
		drives[drive] = drives[drive] || q.Fault == ""
	}
	out := []wire.Recurrence{}
	for _, g := range recurrence.Groups(t.events) {
		if !g.Coded && q.Fault != "" {
			continue // the drive's other faults weren't asked for
		}
		delete(drives, g.Drive)
		out = append(out, d.recurrence(g, t, watched[g.Drive], repairs, q.Zone))
	}
	for drive, tell := range drives {
		if tell {
			out = append(out, d.recurrence(recurrence.Group{Key: recurrence.Key{Drive: drive}}, t, watched[drive], repairs, q.Zone))
		}
	}
	slices.SortStableFunc(out, func(a, b wire.Recurrence) int { return cmp.Compare(a.Drive, b.Drive) })
	return out, nil
}

func (d *Desk) recurrence(g recurrence.Group, t *trips, watched []recurrence.Span, repairs []capture.Repair, zone *time.Location) wire.Recurrence {
	r := wire.Recurrence{Drive: g.Drive, Title: t.titles[g.Drive], Family: g.Family, Watched: watched, Trips: t.of(g.Key),
		Report: recurrence.Analyse(g.Times, watched, recurrence.Options{Zone: zone})}
	if g.Coded {
		r.Fault = t.faults[faultKey{g.Drive, g.Fault}].String()
	}
	for i, one := range repairs {
		if one.Drive != g.Drive || one.Fault != "" && (!g.Coded || one.Fault != g.Fault) {
			continue
		}
		r.Repairs = append(r.Repairs, wire.Repaired{Repair: one, Judged: judge(g.Times, watched, repairs[:i], one)})
	}
	return r
}

// judge compares the time after a repair with that before it, back to the
// repair before on the same drive.
func judge(times []time.Time, watched []recurrence.Span, earlier []capture.Repair, one capture.Repair) recurrence.Repair {
	var from time.Time
	for _, e := range earlier {
		if e.Drive == one.Drive && e.At.After(from) && e.At.Before(one.At) && (e.Fault == "" || e.Fault == one.Fault) {
			from = e.At
		}
	}
	if from.IsZero() {
		return recurrence.Judge(times, watched, one.At)
	}
	var since []recurrence.Span
	for _, w := range watched {
		if w.From.Before(from) {
			w.From = from
		}
		if w.To.After(w.From) {
			since = append(since, w)
		}
	}
	var later []time.Time
	for _, t := range times {
		if !t.Before(from) {
			later = append(later, t)
		}
	}
	return recurrence.Judge(later, since, one.At)
}

type faultKey struct{ drive, fault string }

// trips are all trips of a period, and the words for them.
type trips struct {
	events []recurrence.Event
	listed []wire.Trip // in the order of events
	faults map[faultKey]capture.Fault
	titles map[string]string
	folder map[string][]string // drive → folders that its captures came from
}

func (t *trips) of(k recurrence.Key) []wire.Trip {
	out := []wire.Trip{}
	for i, e := range t.events {
		if e.Drive == k.Drive && (!k.Coded || e.Fault == k.Fault) && (k.Family == "" || e.Family == k.Family) {
			out = append(out, t.listed[i])
		}
	}
	slices.SortFunc(out, func(a, b wire.Trip) int { return a.Time.Compare(b.Time) })
	return out
}

func (d *Desk) trips(ctx context.Context, q store.Query) (*trips, error) {
	t := &trips{faults: map[faultKey]capture.Fault{}, titles: map[string]string{}, folder: map[string][]string{}}
	kept, err := d.store.Trips(ctx, q)
	if err != nil {
		return nil, err
	}
	misses, err := d.store.Misses(ctx, q)
	if err != nil {
		return nil, err
	}
	for _, m := range misses {
		t.add(m.Drive, m.Title, m.Fault, m.Time, "", "")
	}
	families := map[capture.ID]string{}
	if err := d.store.EachPrint(ctx, func(id capture.ID, print []byte) {
		if family := familyOf(print); family != "" {
			families[id] = family
		}
	}); err != nil {
		return nil, err
	}
	for _, k := range kept {
		if k.IsTrace { // a miss or a recording tells of the same trip
			continue
		}
		fault := capture.Fault{Code: k.Code, Shown: k.Shown}
		title := t.titles[k.Drive]
		if _, known := t.faults[faultKey{k.Drive, codeOf(fault)}]; !known || title == "" {
			// The index has no words; one capture of each has.
			if c, err := d.store.Get(ctx, k.ID); err == nil {
				fault, title = c.Fault, c.Name()
				if f := c.Provenance.Folder; f != "" && !slices.Contains(t.folder[k.Drive], f) {
					t.folder[k.Drive] = append(t.folder[k.Drive], f)
				}
			}
		}
		t.add(k.Drive, title, fault, k.Time, k.ID, families[k.ID])
	}
	return t, nil
}

func (t *trips) add(drive, title string, fault capture.Fault, at time.Time, id capture.ID, family string) {
	code := codeOf(fault)
	t.events = append(t.events, recurrence.Event{Time: at, Drive: drive, Fault: code, Family: family})
	t.listed = append(t.listed, wire.Trip{Time: at, Capture: id})
	if was, known := t.faults[faultKey{drive, code}]; !known || was.Name == "" {
		t.faults[faultKey{drive, code}] = fault
	}
	if title != "" {
		t.titles[drive] = title
	}
}

// codeOf is a fault's code as its drive shows it.
func codeOf(f capture.Fault) string {
	if f.Shown == "" && f.Code == 0 {
		return f.Name
	}
	return f.ShownCode()
}

// watched is when somebody was watching each drive. What came from files was
// watched as its folder was.
func (d *Desk) watched(ctx context.Context, q store.Query, t *trips) (map[string][]recurrence.Span, error) {
	facts, err := d.store.Facts(ctx, store.Query{Since: q.Since, Until: q.Until})
	if err != nil {
		return nil, err
	}
	of := map[string][]recurrence.Span{}
	for _, f := range facts {
		for _, i := range f.Over(q.Since, q.Until).Intervals {
			if i.State == coverage.Watched {
				of[f.Drive] = append(of[f.Drive], recurrence.Span{From: i.From, To: i.To})
			}
		}
	}
	folders := map[string]bool{}
	for drive, names := range t.folder {
		for _, name := range names {
			if name != drive {
				of[drive] = append(of[drive], of[name]...)
				folders[name] = true
			}
		}
	}
	for name := range folders {
		delete(of, name) // it isn't a drive
	}
	if len(q.Drives) > 0 {
		for drive := range of {
			if !slices.Contains(q.Drives, drive) {
				delete(of, drive)
			}
		}
	}
	return of, nil
}
