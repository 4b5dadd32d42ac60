package demo_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"faultkeep/daemon/demo"
	"faultkeep/sources/drivesim"
	"faultkeep/store/capture"
)

var start = time.Date(2026, 11, 25, 3, 0, 0, 0, time.UTC)

func at(seconds float64) time.Time {
	return start.Add(time.Duration(seconds * float64(time.Second)))
}

// made is a recording of 8 bytes, all of its number, that triggered with its trip.
func made(number int, tripped, ready, erased float64, by drivesim.ErasedBy) drivesim.Truth {
	t := drivesim.Truth{Number: number, FaultCode: 0x2311, Tripped: at(tripped), Triggered: at(tripped), Counter: uint32(number),
		Ready: at(ready), ErasedBy: by, Data: slices.Repeat([]byte{byte(number)}, 8)}
	if by != "" {
		t.Erased = at(erased)
	}
	return t
}

// kept is a capture of a truth, whole, or with the given ranges of it.
func kept(t drivesim.Truth, have ...capture.Range) demo.Kept {
	k := demo.Kept{Data: slices.Clone(t.Data)}
	k.Capture = capture.Capture{ID: "c", Trigger: capture.Trigger{Earliest: t.Triggered.Add(-100 * time.Millisecond), Latest: t.Triggered.Add(100 * time.Millisecond)},
		Provenance: capture.Provenance{Identity: "recording number=" + string(rune('0'+t.Counter)) + " trigger year=2026"},
		Integrity:  capture.Integrity{Whole: have == nil, Size: int64(len(t.Data)), Have: have, Why: "Reset."}}
	if have == nil {
		k.Capture.Integrity.Have = []capture.Range{{Start: 0, End: int64(len(t.Data))}}
	}
	return k
}

func miss(seconds float64, code uint32) capture.Miss {
	return capture.Miss{Time: at(seconds), Fault: capture.Fault{Code: code}, Text: "Erased."}
}

func TestJudge(t *testing.T) {
	const need = time.Second
	long := made(1, 0, 1, 3, drivesim.ByReset) // stood 2 s
	brief := made(2, 10, 11, 11.5, drivesim.ByReset)
	half := capture.Range{Start: 2, End: 6}
	noCounter := func(k demo.Kept) demo.Kept { k.Capture.Provenance.Identity = "bytes=00"; return k }
	mixed := kept(long)
	mixed.Data[7] ^= 1
	mixedPart := kept(brief, half)
	mixedPart.Data[5] = 9
	hollow := kept(long, half)
	hollow.Capture.Integrity.Whole = true
	unseen := drivesim.Truth{Number: 3, FaultCode: 0x3221, Tripped: at(20), Triggered: at(20), Missing: drivesim.NotArmed}
	spell := func(cause capture.Cause, from, to float64) []capture.Spell {
		return []capture.Spell{{From: at(from), To: at(to), Cause: cause}}
	}
	type want struct{ recordings, winnable, kept, partial, mixed, untold, doubled, unfounded, lost int }
	for name, c := range map[string]struct {
		e    demo.Evidence
		want want
	}{
		"kept": {demo.Evidence{Truths: []drivesim.Truth{long}, Captures: []demo.Kept{kept(long)}},
			want{recordings: 1, winnable: 1, kept: 1}},
		"a winnable recording is lost": {demo.Evidence{Truths: []drivesim.Truth{long}, Misses: []capture.Miss{miss(0.1, 0x2311)}},
			want{recordings: 1, winnable: 1, lost: 1}},
		"a winnable recording is kept in part": {demo.Evidence{Truths: []drivesim.Truth{long}, Captures: []demo.Kept{kept(long, half)}},
			want{recordings: 1, winnable: 1, partial: 1, lost: 1}},
		"exactly as long as needed is winnable": {demo.Evidence{Truths: []drivesim.Truth{made(1, 0, 1, 2, drivesim.ByReset)}, Misses: []capture.Miss{miss(0.1, 0x2311)}},
			want{recordings: 1, winnable: 1, lost: 1}},
		"long enough, but for a stall": {demo.Evidence{Truths: []drivesim.Truth{long}, Misses: []capture.Miss{miss(0.1, 0x2311)},
			Stalls: []demo.Period{{From: at(0.5), To: at(1.6)}, {From: at(2.9), To: at(3.5)}, {From: at(2), To: at(2.301)}}}, want{recordings: 1}},
		"long enough, in spite of stalls": {demo.Evidence{Truths: []drivesim.Truth{long}, Misses: []capture.Miss{miss(0.1, 0x2311)},
			Stalls: []demo.Period{{From: at(0), To: at(1)}, {From: at(2), To: at(3)}, {From: at(4), To: at(5)}}}, want{recordings: 1, winnable: 1, lost: 1}},
		"too brief, and missed": {demo.Evidence{Truths: []drivesim.Truth{brief}, Misses: []capture.Miss{miss(10.2, 0x2311)}},
			want{recordings: 1}},
		"too brief, and kept in part": {demo.Evidence{Truths: []drivesim.Truth{brief}, Captures: []demo.Kept{kept(brief, half)}},
			want{recordings: 1, partial: 1}},
		"too brief, and kept by luck": {demo.Evidence{Truths: []drivesim.Truth{brief}, Captures: []demo.Kept{kept(brief)}},
			want{recordings: 1, kept: 1}},
		"erased by arming before it was kept": {demo.Evidence{Truths: []drivesim.Truth{made(1, 0, 1, 1.2, drivesim.ByArming)}, Misses: []capture.Miss{miss(0, 0x2311)}},
			want{recordings: 1, winnable: 1, lost: 1}},
		"still there at the end": {demo.Evidence{Truths: []drivesim.Truth{made(1, 0, 1, 0, "")}, Misses: []capture.Miss{miss(0, 0x2311)}},
			want{recordings: 1, winnable: 1, lost: 1}},
		"never ready": {demo.Evidence{Truths: []drivesim.Truth{{Number: 1, Counter: 1, FaultCode: 0x2311, Tripped: at(0), Triggered: at(0), Erased: at(0.5)}}, Misses: []capture.Miss{miss(0, 0x2311)}},
			want{}},
		"one byte of another recording": {demo.Evidence{Truths: []drivesim.Truth{long}, Captures: []demo.Kept{mixed}, Misses: []capture.Miss{miss(0, 0x2311)}},
			want{recordings: 1, winnable: 1, mixed: 1, lost: 1}},
		"one byte of another recording in a part": {demo.Evidence{Truths: []drivesim.Truth{brief}, Captures: []demo.Kept{mixedPart}, Misses: []capture.Miss{miss(10, 0x2311)}},
			want{recordings: 1, mixed: 1}},
		"a byte that is missing may be anything": {demo.Evidence{Truths: []drivesim.Truth{brief}, Captures: []demo.Kept{kept(brief, capture.Range{Start: 0, End: 3})}},
			want{recordings: 1, partial: 1}},
		"calls itself whole and isn't": {demo.Evidence{Truths: []drivesim.Truth{long}, Captures: []demo.Kept{hollow}, Misses: []capture.Miss{miss(0, 0x2311)}},
			want{recordings: 1, winnable: 1, mixed: 1, lost: 1}},
		"claims the number of another": {demo.Evidence{Truths: []drivesim.Truth{long, brief}, Captures: []demo.Kept{func() demo.Kept {
			k := kept(long)
			k.Capture.Provenance.Identity = "recording number=2"
			return k
		}()}, Misses: []capture.Miss{miss(0, 0x2311), miss(10, 0x2311)}},
			want{recordings: 2, winnable: 1, mixed: 1, lost: 1}},
		"of no recording at all": {demo.Evidence{Truths: []drivesim.Truth{unseen}, Captures: []demo.Kept{kept(long)}, Misses: []capture.Miss{miss(20, 0x3221)}},
			want{mixed: 1}},
		"without numbers the time tells": {demo.Evidence{Truths: []drivesim.Truth{long, brief}, Captures: []demo.Kept{noCounter(kept(long)), noCounter(kept(brief))}},
			want{recordings: 2, winnable: 1, kept: 2}},
		"of several with one number the time tells": {demo.Evidence{Truths: []drivesim.Truth{long, func() drivesim.Truth {
			again := brief
			again.Counter = 1
			return again
		}()}, Captures: []demo.Kept{kept(long), func() demo.Kept {
			k := kept(brief)
			k.Capture.Provenance.Identity = "recording number=1"
			return k
		}()}}, want{recordings: 2, winnable: 1, kept: 2}},
		"kept twice": {demo.Evidence{Truths: []drivesim.Truth{long}, Captures: []demo.Kept{kept(long), kept(long)}},
			want{recordings: 1, winnable: 1, kept: 1, doubled: 1}},
		"nothing tells of a trip": {demo.Evidence{Truths: []drivesim.Truth{unseen}},
			want{untold: 1}},
		"one miss tells of one trip": {demo.Evidence{Truths: []drivesim.Truth{unseen, func() drivesim.Truth {
			again := unseen
			again.Tripped = at(20.5)
			return again
		}()}, Misses: []capture.Miss{miss(20, 0x3221)}},
			want{untold: 1}},
		"a miss of another fault tells of nothing": {demo.Evidence{Truths: []drivesim.Truth{unseen}, Misses: []capture.Miss{miss(20, 0x2311)}},
			want{untold: 1, unfounded: 1}},
		"a fault counted later": {demo.Evidence{Truths: []drivesim.Truth{unseen}, Misses: []capture.Miss{miss(30, 0)}},
			want{}},
		"nobody could look": {demo.Evidence{Truths: []drivesim.Truth{unseen}, Spells: spell(capture.CauseUnreachable, 19, 21)},
			want{}},
		"nobody could look, but not then": {demo.Evidence{Truths: []drivesim.Truth{unseen}, Spells: spell(capture.CauseUnreachable, 15, 19.9)},
			want{untold: 1}},
		"a recorder that isn't armed excuses nothing": {demo.Evidence{Truths: []drivesim.Truth{unseen}, Spells: spell(capture.CauseNotArmed, 19, 21)},
			want{untold: 1}},
		"a miss of a trip that was kept": {demo.Evidence{Truths: []drivesim.Truth{long}, Captures: []demo.Kept{kept(long)}, Misses: []capture.Miss{miss(0, 0x2311)}},
			want{recordings: 1, winnable: 1, kept: 1, unfounded: 1}},
	} {
		t.Run(name, func(t *testing.T) {
			c.e.Drive, c.e.Need, c.e.End = "Bucket elevator", need, at(60)
			v := demo.Judge(c.e)
			got := want{v.Recordings, v.Winnable, v.Kept, v.Partial, v.Mixed, v.Untold, v.Doubled, v.Unfounded, len(v.Lost)}
			if got != c.want {
				t.Errorf("got %+v\nwant %+v\n%s", got, c.want, strings.Join(append(v.Lost, v.Faults...), "\n"))
			}
			if v.Misses != len(c.e.Misses) || v.Spells != len(c.e.Spells) {
				t.Errorf("%d misses and %d spells, the ledger has %d and %d", v.Misses, v.Spells, len(c.e.Misses), len(c.e.Spells))
			}
			if good := c.want.lost == 0 && c.want.mixed == 0 && c.want.untold == 0; v.Good() != good {
				t.Errorf("good: %v", v.Good())
			}
		})
	}
}
