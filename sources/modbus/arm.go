package modbus

import (
	"context"
	"fmt"
	"time"

	"faultkeep/sources"
	"faultkeep/sources/modbus/link"
	"faultkeep/store/capture"
)

// arming remembers how the last try went.
type arming struct {
	after time.Time // no new try before
	wait  time.Duration
	told  bool // that it doesn't arm
}

const (
	firstArmWait = 2 * time.Second
	mostArmWait  = time.Minute
)

// mayArm tells whether arming is both described by the map and allowed by the config.
func (w *watch) mayArm() bool { return w.Map.Arm != nil && w.guard.Allowed(link.Arm) }

// rearm arms the recorder if that is allowed, it isn't armed, and it holds
// nothing that isn't kept.
func (w *watch) rearm(ctx context.Context) {
	idle := w.previous == capture.Idle
	kept := w.previous == capture.Ready && w.held != nil && w.held.bytes != nil
	if !w.mayArm() || !idle && !kept || time.Now().Before(w.arming.after) || ctx.Err() != nil {
		return
	}
	// What the drive holds at this very moment counts, not what it held at the last poll.
	s, err := w.poller.poll(ctx, true)
	if err != nil {
		w.unreachable(err)
		return
	}
	switch s.State {
	case capture.Idle:
	case capture.Ready:
		if same, err := w.stillHeld(ctx, s); err != nil || !same || w.held.bytes == nil {
			return
		}
	default:
		return
	}
	w.guard.Released()
	if err := w.set(ctx); err != nil {
		w.notArmed(err.Error())
		return
	}
	if err := w.guard.Arm(ctx); err != nil {
		w.notArmed(err.Error())
		return
	}
	w.confirm(ctx)
}

// set gives the recorder the settings of the map, where the config allows it:
// each is written only if it isn't there yet, and read back.
func (w *watch) set(ctx context.Context) error {
	if !w.guard.Allowed(link.Set) {
		return nil
	}
	for i, s := range w.Map.Settings {
		before, err := w.line.read(ctx, s.Read())
		if err != nil {
			return err
		}
		if s.Set(before) {
			continue
		}
		if err := w.guard.Set(ctx, i); err != nil {
			return err
		}
		after, err := w.line.read(ctx, s.Read())
		if err != nil {
			return err
		}
		if !s.Set(after) {
			return fmt.Errorf("%s was written and reads back otherwise; the recorder is not armed. Look at settings: in the map, "+
				"and whether the drive takes this value", s.Name)
		}
	}
	return nil
}

// confirm reads back until the recorder shows armed, or says that it doesn't.
func (w *watch) confirm(ctx context.Context) {
	deadline := time.Now().Add(w.Map.Arm.Within)
	for {
		s, err := w.poller.poll(ctx, true)
		if err != nil {
			w.unreachable(err)
			return
		}
		if s.State == capture.Armed || s.State == capture.Recording {
			w.held, w.arming = nil, arming{}
			w.observe(sources.Observation{Kind: sources.SeenArmed, Time: s.To, State: s.State})
			w.settings.due = time.Time{}
			return
		}
		if s.State == capture.Ready {
			if same, err := w.stillHeld(ctx, s); err == nil && !same {
				w.held = nil // armed, and tripped again already: no time to lose
				return
			}
		}
		if time.Now().After(deadline) {
			w.notArmed(fmt.Sprintf("The arming was written, and after %s the recorder shows %s.",
				seconds(w.Map.Arm.Within), s.State))
			return
		}
		if pause(ctx, max(fastest, w.poll()/4)) != nil {
			return
		}
	}
}

func (w *watch) notArmed(text string) {
	a := &w.arming
	a.wait = min(max(2*a.wait, firstArmWait), mostArmWait)
	a.after = time.Now().Add(a.wait)
	if w.tripped {
		text += " The drive is still tripped; many arm only after the fault is reset."
	}
	if !a.told {
		a.told = true
		w.observe(sources.Observation{Kind: sources.SeenNotArm, Text: text,
			Advice: "It is tried again; look at arm: in the map if it never works."})
	}
}
