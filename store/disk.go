package store

import (
	"context"
	"fmt"
	"path/filepath"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

// KindDisk is the ledger's line about how full the store's volume is.
const KindDisk = "disk"

// Stage is how far a store has gone in sparing a volume that is nearly full.
type Stage int

// The stages, each with what the ones before it do.
const (
	Ample    Stage = iota
	Warning        // it was told
	Dropping       // captures are dropped, so that new ones find room inside the file
	Sparing        // bytes that another capture holds already aren't stored again
	Refusing       // no new recordings; misses and all the rest of the ledger are still written
)

func (g Stage) String() string {
	return [...]string{"ample", "warning", "dropping", "sparing", "refusing"}[g]
}

// DiskLimits are the free bytes of the volume below which a stage begins. It
// ends when a quarter more is free. All zero: the volume isn't looked at.
type DiskLimits struct {
	Warn   int64
	Drop   int64
	Refuse int64 // counting what is free inside the store's file too; below four times as much the store is Sparing
}

// Room that dropping makes inside the file: so much, or an eighth of what is in use.
const (
	mostSpare  = 64 << 20
	shareSpare = 8
)

// wanted is the stage for free bytes on the volume and inside bytes in the
// file, coming from stage was.
func (l DiskLimits) wanted(was Stage, free, inside int64) Stage {
	if l == (DiskLimits{}) {
		return Ample
	}
	below := func(stage Stage, have, limit int64) bool {
		if was >= stage { // it is left only with some to spare
			limit += limit / 4
		}
		return have < limit
	}
	switch {
	case below(Refusing, free+inside, l.Refuse):
		return Refusing
	case below(Sparing, free+inside, 4*l.Refuse):
		return Sparing
	case below(Dropping, free, l.Drop):
		return Dropping
	case below(Warning, free, l.Warn):
		return Warning
	}
	return Ample
}

// Stage is the stage that the store is in.
func (s *Store) Stage() Stage { return s.stage() }

func (s *Store) stage() Stage { return Stage(s.diskStage.Load()) }

// ErrNoRoom is why no new recordings are stored while the volume is nearly
// full. Full tells it too.
var ErrNoRoom = fmt.Errorf("its volume is nearly full, so that no new recordings are stored")

// admit refuses new bytes of recordings while there is no room for them.
func (s *Store) admit(op string) error {
	if s.stage() < Refusing {
		return nil
	}
	s.pinch()
	return s.explain(op, ErrNoRoom)
}

// pinch wakes Upkeep.
func (s *Store) pinch() {
	select {
	case s.pinched <- struct{}{}:
	default:
	}
}

// watchDisk does one round: it measures, drops where that is due, and enters
// the stage that the volume is in.
func (s *Store) watchDisk(ctx context.Context, l Limits) error {
	if l.Disk == (DiskLimits{}) {
		return s.enter(Ample, 0, l)
	}
	measure := l.Measure
	if measure == nil {
		measure = FreeSpace
	}
	free, err := measure(filepath.Dir(s.opt.Path))
	if err != nil {
		return fmt.Errorf("the space left on the store's volume can't be told: %w", err)
	}
	space, err := s.space()
	if err != nil {
		return err
	}
	was := s.toldStage
	stage := l.Disk.wanted(was, free, space.inside())
	if stage < Dropping {
		return s.enter(stage, free, l)
	}
	if was < Dropping { // said before it is done
		if err := s.enter(Dropping, free, l); err != nil {
			return err
		}
	}
	if spare := min(mostSpare, space.used/shareSpare); space.free() < spare {
		if _, err := s.retain(ctx, Retention{}, spare); err != nil {
			return err
		}
		if space, err = s.space(); err != nil {
			return err
		}
	}
	return s.enter(max(Dropping, l.Disk.wanted(was, free, space.inside())), free, l)
}

// enter goes to a stage and tells of it, in one transaction. Where that can't
// be written yet, a further stage holds all the same and is told by the next
// round.
func (s *Store) enter(to Stage, free int64, l Limits) error {
	was := s.toldStage
	if to == was {
		s.diskStage.Store(int32(to))
		return nil
	}
	if to > s.stage() {
		s.diskStage.Store(int32(to))
	}
	text, severity := stageText(to, free, l)
	var alerts []capture.Alert
	if to > was || to == Ample {
		alerts = append(alerts, capture.Alert{Kind: capture.KindDisk, Severity: severity, Text: text})
	}
	put, told := s.noting(Entry{Time: s.now(), Kind: KindDisk, Text: text}, alerts)
	err := s.update("write the ledger", func(tx *bolt.Tx) error {
		if err := put(tx); err != nil {
			return err
		}
		return putSealed(tx.Bucket(bMeta), kStage, to)
	})
	if err != nil {
		return err
	}
	s.diskStage.Store(int32(to))
	s.toldStage = to
	s.log.Warn("the store's disk", "stage", to.String(), "text", text)
	told()
	return nil
}

func stageText(to Stage, free int64, l Limits) (text string, severity capture.Severity) {
	left := "The disk that holds the store has " + size(free) + " left. "
	d := l.Disk
	switch to {
	case Ample:
		if d == (DiskLimits{}) {
			return "The disk that holds the store isn't looked at any more.", capture.Info
		}
		return left + "That is enough again.", capture.Info
	case Warning:
		return left + fmt.Sprintf("Free some space: below %s old captures are dropped to make room, below %s no new recordings are kept.", size(d.Drop), size(d.Refuse)), capture.Warning
	case Dropping:
		return left + "Free some space: old captures are dropped to make room for new ones, those that nobody reviewed and pinned ones last.", capture.Warning
	case Sparing:
		return left + fmt.Sprintf("Free some space: no recording is stored twice any more, and below %s no new ones are kept.", size(d.Refuse)), capture.Warning
	}
	return left + "No new recordings are kept until there is more. Misses are still noted. Free some space now.", capture.Alarm
}

// loadStage reads the stage of the last run, so that the same isn't told again.
func (s *Store) loadStage() error {
	return s.view(context.Background(), func(tx *bolt.Tx) error {
		var was Stage
		v := tx.Bucket(bMeta).Get(kStage)
		if v == nil {
			return nil
		}
		if err := unseal(kStage, v, &was); err != nil {
			s.log.Error("how full the disk was last can't be read", "err", err)
		} else if was >= Ample && was <= Refusing {
			s.diskStage.Store(int32(was))
			s.toldStage = was
		}
		return nil
	})
}
