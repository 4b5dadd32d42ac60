package store

import (
	"context"
	"time"

	bolt "go.etcd.io/bbolt"
)

// Limits are what Upkeep holds a store to.
type Limits struct {
	Retention
	Disk    DiskLimits
	Measure func(folder string) (free int64, err error) // bytes left on the folder's volume; nil: FreeSpace
}

// upkeepEvery is how often the limits are looked at. A write that found the
// disk full is a reason to look at once.
const (
	upkeepEvery = time.Minute
	upkeepSoon  = 2 * time.Second // while recordings are refused, and after a write found no room
)

// Upkeep looks at the limits once: it drops what the retention doesn't keep,
// and enters the stage of sparing that the volume's free space asks for.
func (s *Store) Upkeep(ctx context.Context, l Limits) error {
	s.upkeep.Lock()
	defer s.upkeep.Unlock()
	if err := s.watchDisk(ctx, l); err != nil {
		return err
	}
	r := l.Retention
	if r.KeepFor > 0 {
		sure, err := s.clockIsOld()
		if err != nil {
			return err
		}
		if !sure {
			r.KeepFor = 0
		}
	}
	d, err := s.Retain(ctx, r)
	if d.Captures > 0 {
		s.log.Info("old captures were dropped", "captures", d.Captures, "freed", size(d.Bytes))
	}
	return err
}

// RunUpkeep does Upkeep now, every minute, and whenever a write found the
// volume full, until ctx ends.
func (s *Store) RunUpkeep(ctx context.Context, l Limits) {
	var last string
	for {
		err := s.Upkeep(ctx, l)
		if ctx.Err() != nil {
			return
		}
		if err == nil {
			last = ""
		} else if last != err.Error() { // the same every few seconds helps nobody
			last = err.Error()
			s.log.Error("the store can't be kept within its limits", "err", err)
		}
		every := upkeepEvery
		if s.stage() >= Sparing {
			every = upkeepSoon
		}
		timer := time.NewTimer(every)
		select {
		case <-ctx.Done():
			timer.Stop()
			return
		case <-timer.C:
		case <-s.pinched:
			timer.Stop()
			select { // a storm of refused writes is one reason
			case <-ctx.Done():
				return
			case <-time.After(upkeepSoon):
			}
		}
	}
}

// aged is what dropping by age remembers of the clock.
type aged struct {
	Seen time.Time `json:"seen"` // the clock, some hours ago at most if all is well
	Hold time.Time `json:"hold"` // nothing is dropped for its age before
}

const (
	agedEvery = 6 * time.Hour
	agedLeap  = 7 * 24 * time.Hour
	agedHold  = 24 * time.Hour
)

// clockIsOld tells whether the clock may be trusted with dropping captures for
// their age. A clock that was set years ahead by mistake would cost them all:
// so after a leap of more than a week, or at the very first time, a day must
// pass in which somebody can hear of it.
func (s *Store) clockIsOld() (bool, error) {
	now := s.now()
	var was aged
	err := s.view(context.Background(), func(tx *bolt.Tx) error {
		if v := tx.Bucket(bMeta).Get(kAged); v != nil && unseal(kAged, v, &was) != nil {
			was = aged{}
		}
		return nil
	})
	if err != nil {
		return false, err
	}
	is := was
	since := now.Sub(was.Seen)
	switch {
	case was.Seen.IsZero() || since > agedLeap:
		is = aged{now, now.Add(agedHold)}
	case since >= agedEvery || since < -time.Hour:
		is.Seen = now
	}
	if is.Hold.Sub(now) > agedHold { // the clock was put right again
		is.Hold = now.Add(agedHold)
	}
	if is != was {
		if err := s.update("note the clock", func(tx *bolt.Tx) error { return putSealed(tx.Bucket(bMeta), kAged, is) }); err != nil {
			return false, err
		}
	}
	return !now.Before(is.Hold), nil
}
