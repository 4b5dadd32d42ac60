package modbus

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"faultkeep/sources"
	"faultkeep/store/capture"
)

// whole ends a pull of which everything came that the drive hands out.
func (t *taking) whole(ctx context.Context) {
	if n := len(t.pull.refused); n > 0 {
		t.keep(ctx, fmt.Sprintf("The drive refused %d of %d requests: %v", n, len(t.tiles), t.pull.refused[0].err))
		return
	}
	if took := t.pulled.Sub(t.began); !t.resumed {
		t.show(func(n *Now) {
			if n.Race.Took == 0 || took < n.Race.Took {
				n.Race.Took = took
			}
		})
	}
	if why := t.verify(); why != "" {
		t.keep(ctx, why)
		return
	}
	t.keep(ctx, "")
}

// verify holds the data against the drive's own checksum; why is empty if all is well.
func (t *taking) verify() (why string) {
	if t.Map.Checksum == nil || t.checksum == nil {
		return ""
	}
	data, ok := t.data()
	if !ok {
		return "" // bytes that only the store has can't be read back now; their own checksums guard them
	}
	if t.Map.Checksum.Matches(data, *t.checksum) {
		return ""
	}
	return fmt.Sprintf("The drive's checksum (%s) does not fit what it sent: it says %X, the data gives %X.",
		t.Map.Checksum.Kind, t.checksum.Raw, t.Map.Checksum.Kind.Compute(data))
}

// data is the whole recording, if it can be had.
func (t *taking) data() ([]byte, bool) {
	data := make([]byte, t.rec.Encoding.Size())
	if t.draft != nil {
		for _, r := range t.draft.Have() {
			b, ok, err := t.draft.Bytes(capture.Data, r.Start, int(r.Len()))
			if err != nil || !ok {
				return nil, false
			}
			copy(data[r.Start:], b)
		}
	}
	for _, c := range t.pull.proven {
		copy(data[c.Offset:], c.Bytes)
	}
	return data, true
}

// cut ends a pull whose recording was lost midway: what came across is kept.
func (t *taking) cut(ctx context.Context, lost *gone) {
	t.erased(t.incident.ready, t.seen)
	have, size := t.has(), t.pull.size
	if have == 0 {
		if t.draft != nil {
			if err := t.draft.Drop(ctx); err != nil {
				t.Log.Warn("an empty draft stays behind", "error", err)
			}
		}
		text := goneText(t.incident.ready, t.seen, t.Now().Race)
		if lost.cause == capture.CauseOverwritten {
			text = "The next recording took its place before any of it was read."
		}
		t.miss(lost.cause, text, t.Now().Race.Advice())
		return
	}
	why := fmt.Sprintf("Reset %s after it was ready, when %d %% was read.",
		seconds(lost.at.Sub(t.incident.ready)), have*100/size)
	if lost.cause == capture.CauseOverwritten {
		why = fmt.Sprintf("Overwritten by the next recording %s after it was ready, when %d %% was read.",
			seconds(lost.at.Sub(t.incident.ready)), have*100/size)
	}
	t.keep(ctx, why)
	t.held = nil
}

// refuse ends a pull of which the drive hands out nothing.
func (t *taking) refuse(ctx context.Context, err error) {
	if t.draft != nil && t.has() == 0 {
		if err := t.draft.Drop(ctx); err != nil {
			t.Log.Warn("an empty draft stays behind", "error", err)
		}
	}
	t.trouble(err.Error())
	t.miss(capture.CauseRefused, err.Error(), "Mend data: in the map; faultkeep check --probe shows what the drive answers.")
	t.watch.held = &held{identity: t.identity, sure: true}
}

// has is how many bytes are proven to be of this recording.
func (t *taking) has() (n int64) {
	var have []capture.Range
	if t.draft != nil {
		have = t.draft.Have()
	}
	for _, c := range t.pull.all {
		have = append(have, capture.Range{Start: c.Offset, End: c.Offset + int64(len(c.Bytes))})
	}
	slices.SortFunc(have, func(a, b capture.Range) int { return cmp.Compare(a.Start, b.Start) })
	var end int64
	for _, r := range have {
		n += max(0, r.End-max(r.Start, end))
		end = max(end, r.End)
	}
	return n
}

// longestRetry is the longest wait until a store that fails is tried again.
const longestRetry = 5 * time.Second

// keep makes the capture durable, whole or, with a reason, in part. It
// doesn't give up before faultkeep stops: nothing on the drive is released
// until it returns with the capture kept.
func (t *taking) keep(ctx context.Context, why string) {
	c := t.opening
	if c.Fault.Code == 0 && t.incident.fault.Code != 0 {
		c.Fault = t.incident.fault
	}
	c.Settings = t.settings.found
	c.Provenance.Pulled = t.pulled.UTC()
	c.Provenance.Requests = int(t.line.count.Load() - t.requests)
	c.Integrity = capture.Integrity{Whole: why == "", Why: why, Verified: t.verified(why), Size: t.pull.size}
	first, _ := t.piece(t.tiles[0])
	for wait := time.Second; ; wait = min(2*wait, longestRetry) {
		t.beat()
		began := time.Now()
		kept, err := t.tryKeep(ctx, c)
		if err == nil {
			c = kept
			t.show(func(n *Now) { n.Race.Commit = max(time.Since(began), n.Race.Commit*7/8) })
			break
		}
		t.trouble("the capture can't be kept yet, it will be tried again: " + err.Error())
		t.blind(t.cover.last, capture.CauseStoring, "A recording waits on the drive to be kept: "+err.Error())
		t.afresh()
		if pause(ctx, wait) != nil {
			t.leave(ctx)
			return
		}
	}
	t.kept = c.ID
	if t.cover.condition == blind && t.cover.cause == capture.CauseStoring {
		t.cover.last = time.Now() // that silence was ours, not the drive's
	}
	t.incident.told, t.incident.id = true, c.ID
	t.show(func(n *Now) { n.Keeps++ })
	took := time.Since(c.Provenance.Ready)
	t.observe(sources.Observation{Kind: sources.SeenKept, ID: c.ID, Fault: c.Fault, Took: took, Pull: t.pulled.Sub(t.began), Done: t.has(), Partial: !c.Integrity.Whole, Text: c.Integrity.Why})
	t.watch.held = &held{identity: t.identity, tile: t.tiles[0], bytes: first, ready: t.incident.ready,
		here: !t.incident.notReady.IsZero(), sure: true}
}

// afresh takes everything from memory at the next try: the draft may be gone
// with a file that was set aside as damaged.
func (t *taking) afresh() { t.draft, t.pull.proven = nil, t.pull.all }

func (t *taking) tryKeep(ctx context.Context, c capture.Capture) (capture.Capture, error) {
	if t.draft == nil {
		if err := t.attach(ctx); err != nil {
			return c, err
		}
		c.ID = t.opening.ID
	}
	if c.Integrity.Whole && t.has() < t.pull.size {
		c.Integrity.Whole, c.Integrity.Why = false, "A part that an earlier run had read was lost with a damaged store."
	}
	return t.draft.Keep(ctx, c, t.pull.proven...)
}

// verified lists what was checked, in words.
func (t *taking) verified(why string) []string {
	var v []string
	if t.identity != "" {
		v = append(v, "identity before and after")
	} else {
		v = append(v, "trigger, head and tail read twice")
	}
	if why == "" && t.Map.Checksum != nil && t.checksum != nil {
		v = append(v, "the drive's "+string(t.Map.Checksum.Kind))
	}
	return v
}

// closeDraft keeps what an interrupted pull left, or drops a draft that holds
// nothing; false: it must be tried again.
func (w *watch) closeDraft(ctx context.Context, d sources.Draft, why string) bool {
	c := d.Opening()
	var have int64
	for _, r := range d.Have() {
		have += r.Len()
	}
	if have == 0 {
		if err := d.Drop(ctx); err != nil {
			w.Log.Warn("an empty draft stays behind", "error", err)
		}
		return true
	}
	c.Integrity = capture.Integrity{Why: why, Size: c.Encoding.Size(), Verified: []string{"identity before and during"}}
	if _, err := d.Keep(ctx, c); err != nil {
		w.trouble("what is left of an interrupted pull can't be kept yet: " + err.Error())
		return false
	}
	if w.incident != nil {
		w.incident.told, w.incident.id = true, c.ID
	}
	w.show(func(n *Now) { n.Keeps++ })
	w.observe(sources.Observation{Kind: sources.SeenKept, ID: c.ID, Fault: c.Fault, Partial: true, Text: why,
		Took: time.Since(c.Provenance.Ready)})
	return true
}

// closeDrafts ends what is left of recordings that the drive doesn't hold any
// more; except names the draft of the one it does.
func (w *watch) closeDrafts(ctx context.Context, except capture.ID) {
	drafts, err := w.keeper.Drafts(ctx, w.Config.Name)
	if err != nil {
		w.trouble("drafts of interrupted pulls can't be read: " + err.Error())
		return
	}
	why := "Erased before the rest was read, while the drive could not be reached."
	if !w.started {
		why = "Erased before the rest was read, while faultkeep was not running."
	}
	done := true
	for _, d := range drafts {
		if d.Opening().ID != except {
			done = w.closeDraft(ctx, d, why) && done
		}
	}
	if done {
		w.started, w.interrupted = true, false
	}
}
