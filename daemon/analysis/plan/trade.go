package plan

import (
	"cmp"
	"fmt"
	"slices"
	"sort"
	"time"
)

// Answer is what can be had.
type Answer struct {
	Plan      *Plan    `json:"plan"`      // nil: not everything can be had together
	Conflicts []string `json:"conflicts"` // why not, with numbers
	Trades    []Trade  `json:"trade_offs"`
}

// Trade is another way, with less of something: the least of it that does.
type Trade struct {
	Changes []string `json:"changes"`  // of what was asked, one sentence each
	GivenUp float64  `json:"given_up"` // of what was wanted to be seen, 0 to 1: fractions of frequency, channels and time added up
	Plan    Plan     `json:"plan"`

	ask Ask
}

// MostTrades is how many trade-offs are offered.
const MostTrades = 6

// Make chooses the settings. Trade-offs are ranked: those with the fewest
// changes first; of as many, those that give up the least of the recording.
func Make(a Ask) (Answer, error) {
	if err := a.check(); err != nil {
		return Answer{}, err
	}
	if len(a.Memory.Widths) > MostChannels {
		a.Memory.Widths = a.Memory.Widths[:MostChannels]
	}
	a.Use = a.use()
	a.Race.Connections = max(1, a.Race.Connections)
	a.Race.remember()
	p, conflicts := a.settle()
	if len(conflicts) == 0 {
		p.Rounded = a.rounded(p)
		return Answer{Plan: &p, Conflicts: []string{}, Trades: []Trade{}}, nil
	}
	if free := a; a.Frequency > 0 {
		// What stands in the way besides the frequency.
		free.Frequency = 0
		_, more := free.settle()
		conflicts = slices.Compact(append(conflicts, more...))
	}
	return Answer{Conflicts: conflicts, Trades: a.trades()}, nil
}

// remember keeps what Requests said: the same is asked again and again.
func (r *Race) remember() {
	requests := r.Requests
	if requests == nil {
		return
	}
	type key struct{ channels, samples int }
	known := map[key]int{}
	r.Requests = func(channels, samples int) int {
		k := key{channels, samples}
		n, ok := known[k]
		if !ok {
			n = max(1, requests(channels, samples))
			known[k] = n
		}
		return n
	}
}

// trades are all ways with one change, and those with two of which neither
// alone would do.
func (a Ask) trades() []Trade {
	single := make([]bool, len(yieldings))
	var found []Trade
	add := func(changed Ask, what ...yielding) {
		p, conflicts := changed.settle()
		if len(conflicts) > 0 {
			return
		}
		p.Rounded = changed.rounded(p)
		t := Trade{Plan: p, GivenUp: a.givenUp(changed), ask: changed}
		for _, y := range what {
			t.Changes = append(t.Changes, y.words(a, changed))
		}
		found = append(found, t)
	}
	for i, y := range yieldings {
		if changed, ok := y.least(a); ok {
			single[i] = true
			add(changed, y)
		}
	}
	for i, y := range yieldings {
		for k, z := range yieldings[i+1:] {
			if single[i] || single[i+1+k] || y.kin != 0 && y.kin == z.kin {
				continue
			}
			// As little of the second as does together with all that the first
			// can give, and then as little of the first as is needed with that.
			all, ok := y.all(a)
			if !ok {
				continue
			}
			second, ok := z.least(all)
			if !ok {
				continue
			}
			if both, ok := y.least(y.undo(a, second)); ok {
				add(both, y, z)
			}
		}
	}
	slices.SortStableFunc(found, func(x, y Trade) int {
		return cmp.Or(cmp.Compare(len(x.Changes), len(y.Changes)), cmp.Compare(x.GivenUp, y.GivenUp))
	})
	return append([]Trade{}, found[:min(len(found), MostTrades)]...)
}

// givenUp is how much less of the recording there is after a change.
func (a Ask) givenUp(b Ask) float64 {
	loss := 1 - float64(b.Channels)/float64(a.Channels)
	loss += 1 - float64(b.Before+b.After)/float64(a.Before+a.After)
	if a.Frequency > 0 {
		loss += 1 - b.Frequency/a.Frequency
	}
	if a.Use == Shape && b.Use == Spectrum {
		loss += 1 - spectrumSamples/shapeSamples // so much less is known of each period
	}
	return loss
}

// yielding is one thing that can give way.
type yielding struct {
	kin   int                       // 0, or the same number for those that make no sense together
	least func(a Ask) (Ask, bool)   // as little of it as gives a plan; false: none does
	all   func(a Ask) (Ask, bool)   // as much of it as there is; false: there is none
	undo  func(from, a Ask) Ask     // a with this thing as in from
	words func(from, to Ask) string // what is changed
}

// yieldings in the order in which equals are offered: what costs nothing of the
// recording first.
var yieldings = []yielding{resetYield, connectionsYield, pollYield, spectrumYield, frequencyYield, channelsYield,
	timeYield(true, false), timeYield(false, true), timeYield(true, true)}

func (a Ask) possible() bool {
	_, conflicts := a.settle()
	return len(conflicts) == 0
}

// mildest is the first of n ever stronger changes that gives a plan.
func mildest(n int, change func(i int) Ask) (Ask, bool) {
	n = max(0, n)
	i := sort.Search(n, func(i int) bool { return change(i).possible() })
	if i == n {
		return Ask{}, false
	}
	return change(i), true
}

var connectionsYield = yielding{
	least: func(a Ask) (Ask, bool) {
		return mildest(a.Race.Most-a.Race.Connections, func(i int) Ask { b := a; b.Race.Connections += i + 1; return b })
	},
	all: func(a Ask) (Ask, bool) {
		ok := a.Race.Most > a.Race.Connections
		a.Race.Connections = max(a.Race.Most, a.Race.Connections)
		return a, ok
	},
	undo: func(from, a Ask) Ask { a.Race.Connections = from.Race.Connections; return a },
	words: func(from, to Ask) string {
		return fmt.Sprintf("Pull over %d connections instead of %d, if the drive takes them", to.Race.Connections, from.Race.Connections)
	},
}

// polls are intervals between two looks, as people set them; the last is the
// shortest that faultkeep takes.
var polls = []time.Duration{500 * time.Millisecond, 250 * time.Millisecond, 200 * time.Millisecond, 150 * time.Millisecond,
	100 * time.Millisecond, 75 * time.Millisecond, 50 * time.Millisecond, 30 * time.Millisecond, 20 * time.Millisecond}

func shorterPolls(a Ask) []time.Duration {
	i := slices.IndexFunc(polls, func(p time.Duration) bool { return p < a.Race.Poll })
	if i < 0 {
		return nil
	}
	return polls[i:]
}

var pollYield = yielding{
	least: func(a Ask) (Ask, bool) {
		shorter := shorterPolls(a)
		return mildest(len(shorter), func(i int) Ask { b := a; b.Race.Poll = shorter[i]; return b })
	},
	all: func(a Ask) (Ask, bool) {
		shorter := shorterPolls(a)
		if len(shorter) > 0 {
			a.Race.Poll = shorter[len(shorter)-1]
		}
		return a, len(shorter) > 0
	},
	undo: func(from, a Ask) Ask { a.Race.Poll = from.Race.Poll; return a },
	words: func(from, to Ask) string {
		return fmt.Sprintf("Poll every %s instead of %s", Span(to.Race.Poll), Span(from.Race.Poll))
	},
}

var resetYield = yielding{
	least: func(a Ask) (Ask, bool) {
		free := a
		free.Race.Reset = 0
		p, conflicts := free.settle()
		if a.Race.Reset == 0 || len(conflicts) > 0 || p.Need == 0 {
			return a, false
		}
		const step = 100 * time.Millisecond
		a.Race.Reset = (p.After + p.Need + step - 1).Truncate(step)
		return a, a.possible()
	},
	all: func(a Ask) (Ask, bool) {
		ok := a.Race.Reset > 0
		a.Race.Reset = 0
		return a, ok
	},
	undo: func(from, a Ask) Ask { a.Race.Reset = from.Race.Reset; return a },
	words: func(from, to Ask) string {
		return fmt.Sprintf("Hold the reset back until %s after the trip instead of %s", Span(to.Race.Reset), Span(from.Race.Reset))
	},
}

var spectrumYield = yielding{
	kin: 1,
	least: func(a Ask) (Ask, bool) {
		b, ok := spectrumOnly(a)
		return b, ok && b.possible()
	},
	all:  spectrumOnly,
	undo: func(from, a Ask) Ask { a.Use = from.Use; return a },
	words: func(_, to Ask) string {
		return fmt.Sprintf("Judge up to %s by spectrum only, not by shape", Hertz(to.Frequency))
	},
}

func spectrumOnly(a Ask) (Ask, bool) {
	ok := a.Use == Shape && a.Frequency > 0
	a.Use = Spectrum
	return a, ok
}

var frequencyYield = yielding{
	kin: 1,
	least: func(a Ask) (Ask, bool) {
		if a.Frequency == 0 {
			return a, false
		}
		s := a.steps()
		from := s.upTo(a.coarsest())
		return mildest(s.n-from, func(i int) Ask { return a.coarser(s.at(from + i)) })
	},
	all: func(a Ask) (Ask, bool) {
		ok := a.Frequency > 0
		a.Frequency = 0
		return a, ok
	},
	undo: func(from, a Ask) Ask { a.Frequency = from.Frequency; return a },
	words: func(from, to Ask) string {
		return fmt.Sprintf("Judge by %s up to %s instead of %s", to.Use, Hertz(to.Frequency), Hertz(from.Frequency))
	},
}

// coarser asks for no higher frequency than the interval shows.
func (a Ask) coarser(interval time.Duration) Ask {
	a.Frequency = float64(time.Second) / (a.Use.samples() * float64(interval))
	return a
}

var channelsYield = yielding{
	least: func(a Ask) (Ask, bool) {
		return mildest(a.Channels-max(1, a.Fewest), func(i int) Ask { b := a; b.Channels -= i + 1; return b })
	},
	all: func(a Ask) (Ask, bool) {
		ok := a.Channels > max(1, a.Fewest)
		a.Channels = min(a.Channels, max(1, a.Fewest))
		return a, ok
	},
	undo: func(from, a Ask) Ask { a.Channels = from.Channels; return a },
	words: func(from, to Ask) string {
		return fmt.Sprintf("Record %s instead of %d", channels(to.Channels), from.Channels)
	},
}

// leastTime is the smallest part of the wanted time that is offered instead: a
// tenth, in thousandths.
const leastTime = 100

// timeYield shortens the time before the trigger, that after it, or both alike.
func timeYield(before, after bool) yielding {
	shorter := func(a Ask, thousandths int) Ask {
		part := func(d time.Duration) time.Duration {
			return time.Duration(int64(d) / 1000 * int64(thousandths)).Truncate(time.Microsecond)
		}
		if before {
			a.Before = part(a.Before)
		}
		if after {
			a.After = part(a.After)
		}
		return a
	}
	some := func(a Ask) bool { return (!before || a.Before > 0) && (!after || a.After > 0) }
	return yielding{
		kin: 2,
		least: func(a Ask) (Ask, bool) {
			if !some(a) {
				return a, false
			}
			return mildest(1000-leastTime, func(i int) Ask { return shorter(a, 999-i) })
		},
		all: func(a Ask) (Ask, bool) { return shorter(a, leastTime), some(a) },
		undo: func(from, a Ask) Ask {
			if before {
				a.Before = from.Before
			}
			if after {
				a.After = from.After
			}
			return a
		},
		words: func(from, to Ask) string {
			switch {
			case before && after:
				return fmt.Sprintf("See %s before and %s after the trigger instead of %s and %s", Span(to.Before), Span(to.After), Span(from.Before), Span(from.After))
			case before:
				return fmt.Sprintf("See %s before the trigger instead of %s", Span(to.Before), Span(from.Before))
			}
			return fmt.Sprintf("See %s after the trigger instead of %s", Span(to.After), Span(from.After))
		},
	}
}

// Asked is what a trade-off still asks for.
func (t Trade) Asked() Ask { return t.ask }
