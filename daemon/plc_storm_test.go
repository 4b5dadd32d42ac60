package daemon_test

import (
	"log/slog"
	"math/rand/v2"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/simonvetter/modbus"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/demo"
	"faultkeep/daemon/holdoff"
	"faultkeep/sources/drivesim"
	"faultkeep/store/capture"
)

// plc is the function block of configs/holdoff/reset-holdoff.st in Go, for
// virtual time.
type plc struct {
	least, most, silent time.Duration
	tripped, still      time.Time // since when; zero: not
	last                uint16
}

func (p *plc) may(tripped, ok, pending, watched bool, beat uint16) bool {
	now := time.Now()
	since := func(on bool, t *time.Time) time.Duration {
		if !on {
			*t = time.Time{}
			return -1
		}
		if t.IsZero() {
			*t = now
		}
		return now.Sub(*t)
	}
	waited, still := since(tripped, &p.tripped), since(ok && beat == p.last, &p.still)
	p.last = beat
	alive := ok && watched && still < p.silent
	return tripped && (waited >= p.most || !alive || waited >= p.least && !pending)
}

// Many plants in virtual time, with recorders, polls and lines of all kinds,
// and PLCs that reset as soon as they may: with the hold-off every recording is
// kept, without it many are lost.
func TestHoldoffStorm(t *testing.T) {
	rounds := 8
	if testing.Short() {
		rounds = 4
	}
	var with, without demo.Verdict
	for seed := range uint64(rounds) {
		for _, held := range []bool{true, false} {
			synctest.Test(t, func(t *testing.T) {
				v := holdoffStorm(t, seed, held)
				if held {
					add(&with, v)
					if v.Kept != v.Recordings {
						t.Errorf("seed %d: %d of %d recordings kept with the hold-off", seed, v.Kept, v.Recordings)
					}
				} else {
					add(&without, v)
				}
			})
		}
	}
	t.Logf("with the hold-off %d of %d recordings kept whole; without %d of %d", with.Kept, with.Recordings, without.Kept, without.Recordings)
	if with.Recordings < rounds || without.Kept == without.Recordings {
		t.Error("the storm was too calm to prove anything")
	}
}

func holdoffStorm(t *testing.T, seed uint64, held bool) (sum demo.Verdict) {
	dice := rand.New(rand.NewPCG(seed, 21))
	c := climateOf(dice)
	for i := range c.specs {
		c.specs[i].Plan = drivesim.Plan{}
		c.specs[i].Recorder.Overwrite = false
	}
	v := newVirtual(t, c.specs, c.gateway, c.poll, c.calm, newDeafSink(rand.New(rand.NewPCG(seed, 12)), 0))
	defer v.close()
	v.start()
	server := holdoff.New(holdoff.Config{}, func() []holdoff.Drive {
		out := make([]holdoff.Drive, len(v.drives))
		for i, d := range v.drives {
			now := d.Now()
			out[i] = holdoff.Drive{Pending: now.Pending, Pulling: now.Pulling, Kept: now.Kept, Beats: d.Pulse().Beats(), Keeps: now.Keeps,
				Watched: now.Trouble == "" && !now.LastSeen.IsZero()}
		}
		return out
	}, slog.New(slog.DiscardHandler))
	end := time.Now().Add(60 * time.Second)
	for i, sim := range v.sims {
		own := rand.New(rand.NewPCG(seed, uint64(100+i)))
		v.ended.Go(func() {
			fb := &plc{least: 3*c.poll + 50*time.Millisecond, most: 30 * time.Second, silent: 3 * time.Second}
			tripped, next := false, time.Now().Add(2*time.Second)
			for ; time.Now().Before(end) || tripped; time.Sleep(20 * time.Millisecond) {
				if !tripped && time.Now().After(next) && sim.State(time.Now()) == capture.Armed && time.Now().Before(end) {
					tripped = sim.Trip(time.Now(), drivesim.MainsDip)
				}
				bits, err := server.HandleDiscreteInputs(&modbus.DiscreteInputsRequest{Addr: holdoff.First(i), Quantity: 4})
				words, werr := server.HandleInputRegisters(&modbus.InputRegistersRequest{Addr: holdoff.First(i), Quantity: 1})
				ok := held && err == nil && werr == nil
				may := fb.may(tripped, ok, ok && bits[holdoff.InputPending], ok && bits[holdoff.InputWatched], words[0])
				if !held { // a PLC that knows nothing waits as long as one that has to
					may = tripped && time.Since(fb.tripped) >= fb.least
				}
				if may {
					sim.Reset(time.Now())
					tripped, next = false, time.Now().Add(time.Duration(1000+own.IntN(6000))*time.Millisecond)
				}
			}
		})
	}
	time.Sleep(time.Until(end) + 45*time.Second)
	v.stop()
	a, err := archive.Open(t.Context(), filepath.Dir(v.path))
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	for i := range v.sims {
		add(&sum, demo.Judge(v.evidence(i, a)))
	}
	return sum
}

// The function block never waits for a faultkeep that hangs, isn't watching or
// can't be read, and never longer than it may.
func TestFunctionBlock(t *testing.T) {
	type at struct {
		ok, pending, watched, beats bool
	}
	alive := at{true, true, true, true}
	for name, c := range map[string]struct {
		after func(since time.Duration) at
		want  time.Duration // when it may reset
	}{
		"kept after 4 s":  {func(d time.Duration) at { return at{true, d < 4*time.Second, true, true} }, 4 * time.Second},
		"seen late":       {func(d time.Duration) at { return at{true, d > 500*time.Millisecond && d < 4*time.Second, true, true} }, 4 * time.Second},
		"nothing to keep": {func(time.Duration) at { return at{true, false, true, true} }, 2 * time.Second},
		"never kept":      {func(time.Duration) at { return alive }, 30 * time.Second},
		"unreadable":      {func(d time.Duration) at { return at{d < time.Second, true, true, true} }, time.Second},
		"not watched":     {func(d time.Duration) at { return at{true, true, d < time.Second, true} }, time.Second},
		"hangs":           {func(d time.Duration) at { return at{true, true, true, d < 5*time.Second} }, 8 * time.Second},
	} {
		synctest.Test(t, func(t *testing.T) {
			fb := &plc{least: 2 * time.Second, most: 30 * time.Second, silent: 3 * time.Second}
			beat := uint16(65500)
			begin := time.Now()
			for ; ; time.Sleep(20 * time.Millisecond) {
				now := c.after(time.Since(begin))
				if now.beats {
					beat++
				}
				if fb.may(true, now.ok, now.pending, now.watched, beat) {
					break
				}
			}
			if got := time.Since(begin); got < c.want || got > c.want+50*time.Millisecond {
				t.Errorf("%s: may reset after %s, want %s", name, got, c.want)
			}
		})
	}
}
