// Package sourcetest helps to test sources: a Keeper in memory that holds a
// source to the contract, and independent peers to talk to.
package sourcetest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"faultkeep/sources"
	"faultkeep/store/capture"
)

// Keeper is a sources.Keeper in memory. It refuses what the store would
// refuse: bytes that contradict others, a capture that claims to be whole and
// isn't. What a source does wrong is in Faults.
type Keeper struct {
	mu     sync.Mutex
	open   []*draft
	kept   []Kept
	seen   []sources.Observation
	faults []string

	Fail func(op string) error // may make any call fail
}

// Kept is a capture with its bytes.
type Kept struct {
	capture.Capture
	Data  []byte            // Integrity.Size bytes, zeros where nothing was read
	Parts map[string][]byte // the other parts of the originals
}

// Kept are the captures of recordings so far, in order.
func (k *Keeper) Kept() []Kept { return k.of(capture.Recorded) }

// Unread are the captures of files that couldn't be read so far, in order.
func (k *Keeper) Unread() []Kept { return k.of(capture.Unread) }

// Traces are the captures of traces so far, in order.
func (k *Keeper) Traces() []Kept { return k.of(capture.Trace) }

func (k *Keeper) of(origin capture.Origin) (out []Kept) {
	k.mu.Lock()
	defer k.mu.Unlock()
	for _, c := range k.kept {
		if c.Origin == origin {
			out = append(out, c)
		}
	}
	return out
}

// Seen are the observations so far of the given kinds, or of all.
func (k *Keeper) Seen(kinds ...sources.Seen) []sources.Observation {
	k.mu.Lock()
	defer k.mu.Unlock()
	var out []sources.Observation
	for _, o := range k.seen {
		if len(kinds) == 0 || slices.Contains(kinds, o.Kind) {
			out = append(out, o)
		}
	}
	return out
}

// Faults are breaches of the contract.
func (k *Keeper) Faults() []string {
	k.mu.Lock()
	defer k.mu.Unlock()
	return slices.Clone(k.faults)
}

// Opened are the drafts that are open now.
func (k *Keeper) Opened() int {
	k.mu.Lock()
	defer k.mu.Unlock()
	return len(k.open)
}

// Lose forgets all drafts, as a store does whose file was set aside as
// damaged: what is done with them fails from now on.
func (k *Keeper) Lose() {
	k.mu.Lock()
	defer k.mu.Unlock()
	for _, d := range k.open {
		d.gone = true
	}
	k.open = nil
}

func (k *Keeper) try(ctx context.Context, op string) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if k.Fail != nil {
		return k.Fail(op)
	}
	return nil
}

// Draft begins a draft or resumes one.
func (k *Keeper) Draft(ctx context.Context, c capture.Capture) (sources.Draft, error) {
	if err := k.try(ctx, "draft"); err != nil {
		return nil, err
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	for _, d := range k.open {
		if d.opening.Drive == c.Drive && d.opening.Provenance.Identity == c.Provenance.Identity && d.size == c.Encoding.Size() {
			return d, nil
		}
	}
	for _, old := range k.kept {
		if old.ID == c.ID {
			return nil, sources.ErrKept
		}
	}
	d := &draft{k: k, opening: c, size: c.Encoding.Size(), data: make([]byte, c.Encoding.Size())}
	k.open = append(k.open, d)
	return d, nil
}

// Drafts are the drive's open drafts.
func (k *Keeper) Drafts(ctx context.Context, drive string) ([]sources.Draft, error) {
	if err := k.try(ctx, "drafts"); err != nil {
		return nil, err
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	var out []sources.Draft
	for _, d := range k.open {
		if d.opening.Drive == drive {
			out = append(out, d)
		}
	}
	return out, nil
}

// Last is the drive's newest capture.
func (k *Keeper) Last(ctx context.Context, drive string) (sources.Kept, bool, error) {
	if err := k.try(ctx, "last"); err != nil {
		return sources.Kept{}, false, err
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	for _, c := range slices.Backward(k.kept) {
		if c.Drive == drive && c.Origin == capture.Recorded {
			return sources.Kept{Capture: c.Capture, Bytes: func(_ string, offset int64, n int) ([]byte, bool, error) {
				return c.Data[offset : offset+int64(n)], within(c.Integrity.Have, offset, n), nil
			}}, true, nil
		}
	}
	return sources.Kept{}, false, nil
}

// Earlier is what was seen of the drive so far.
func (k *Keeper) Earlier(ctx context.Context, drive string) (sources.Earlier, error) {
	e := sources.Earlier{Count: -1}
	if err := k.try(ctx, "earlier"); err != nil {
		return e, err
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	var counted time.Time
	for _, o := range k.seen {
		switch {
		case o.Drive != drive:
		case o.Kind == sources.SeenTrip:
			e.Trip = &o
		case o.Kind == sources.SeenKept, o.Kind == sources.SeenMiss && e.Trip != nil && e.Trip.Fault.Code == o.Fault.Code:
			e.Trip = nil
		case o.Kind == sources.SeenCount:
			e.Count, counted = o.Count, o.Time
		}
	}
	for _, o := range k.seen {
		if o.Drive == drive && o.Kind == sources.SeenTrip && o.Time.After(counted) {
			e.Trips++
		}
	}
	return e, nil
}

// Observe notes what was seen.
func (k *Keeper) Observe(ctx context.Context, o sources.Observation) error {
	if err := k.try(ctx, "observe"); err != nil {
		return err
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	k.seen = append(k.seen, o)
	return nil
}

type draft struct {
	k       *Keeper
	opening capture.Capture
	size    int64
	data    []byte
	have    []capture.Range
	parts   map[string][]byte
	gone    bool
}

var errGone = errors.New("the draft is gone")

func (d *draft) Opening() capture.Capture { return d.opening }

func (d *draft) Have() []capture.Range {
	d.k.mu.Lock()
	defer d.k.mu.Unlock()
	return slices.Clone(d.have)
}

func (d *draft) Bytes(_ string, offset int64, n int) ([]byte, bool, error) {
	d.k.mu.Lock()
	defer d.k.mu.Unlock()
	return slices.Clone(d.data[offset : offset+int64(n)]), within(d.have, offset, n), nil
}

func (d *draft) Append(ctx context.Context, chunks ...capture.Chunk) error {
	if err := d.k.try(ctx, "append"); err != nil {
		return err
	}
	d.k.mu.Lock()
	defer d.k.mu.Unlock()
	return d.add(chunks)
}

func (d *draft) add(chunks []capture.Chunk) error {
	if d.gone {
		return errGone
	}
	for _, c := range chunks {
		if c.Part != "" && c.Part != capture.Data {
			d.part(c)
			continue
		}
		end := c.Offset + int64(len(c.Bytes))
		if c.Offset < 0 || end > d.size {
			d.k.faults = append(d.k.faults, fmt.Sprintf("%s: bytes %d–%d of %d", d.opening.ID, c.Offset, end, d.size))
			return errors.New("outside the recording")
		}
		for _, h := range d.have {
			from, to := max(h.Start, c.Offset), min(h.End, end)
			if from < to && !bytes.Equal(d.data[from:to], c.Bytes[from-c.Offset:to-c.Offset]) {
				d.k.faults = append(d.k.faults, fmt.Sprintf("%s: bytes %d–%d differ", d.opening.ID, from, to))
				return errors.New("the bytes differ from those stored")
			}
		}
		copy(d.data[c.Offset:], c.Bytes)
		d.have = append(d.have, capture.Range{Start: c.Offset, End: end})
	}
	d.have = merge(d.have)
	return nil
}

// part takes bytes of another part, which come in order.
func (d *draft) part(c capture.Chunk) {
	if d.parts == nil {
		d.parts = map[string][]byte{}
	}
	if int(c.Offset) != len(d.parts[c.Part]) {
		d.k.faults = append(d.k.faults, fmt.Sprintf("%s: part %q goes on at %d after %d bytes", d.opening.ID, c.Part, c.Offset, len(d.parts[c.Part])))
	}
	d.parts[c.Part] = append(d.parts[c.Part], c.Bytes...)
}

func (d *draft) Keep(ctx context.Context, c capture.Capture, rest ...capture.Chunk) (capture.Capture, error) {
	if err := d.k.try(ctx, "keep"); err != nil {
		return c, err
	}
	d.k.mu.Lock()
	defer d.k.mu.Unlock()
	if err := d.add(rest); err != nil {
		return c, err
	}
	c.Integrity.Have = d.have
	whole := len(d.have) == 1 && d.have[0].Len() == d.size
	if c.Integrity.Whole && !whole || c.ID != d.opening.ID || c.Integrity.Size != d.size {
		d.k.faults = append(d.k.faults, fmt.Sprintf("%s: kept as whole=%v with %v of %d bytes", c.ID, c.Integrity.Whole, d.have, d.size))
	}
	d.k.kept = append(d.k.kept, Kept{c, bytes.Clone(d.data), d.parts})
	d.close()
	return c, nil
}

func (d *draft) Drop(ctx context.Context) error {
	if err := d.k.try(ctx, "drop"); err != nil {
		return err
	}
	d.k.mu.Lock()
	defer d.k.mu.Unlock()
	if len(d.have) > 0 {
		d.k.faults = append(d.k.faults, fmt.Sprintf("%s: dropped with data in it", d.opening.ID))
	}
	d.close()
	return nil
}

func (d *draft) close() {
	d.k.open = slices.DeleteFunc(d.k.open, func(o *draft) bool { return o == d })
}

func within(have []capture.Range, offset int64, n int) bool {
	for _, r := range have {
		if r.Start <= offset && offset+int64(n) <= r.End {
			return true
		}
	}
	return false
}

func merge(ranges []capture.Range) []capture.Range {
	slices.SortFunc(ranges, func(a, b capture.Range) int { return int(a.Start - b.Start) })
	out := ranges[:0:0]
	for _, r := range ranges {
		if n := len(out); n > 0 && r.Start <= out[n-1].End {
			out[n-1].End = max(out[n-1].End, r.End)
			continue
		}
		out = append(out, r)
	}
	return out
}

var _ sources.Keeper = (*Keeper)(nil)
