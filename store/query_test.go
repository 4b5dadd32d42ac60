package store_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

func ids(list []capture.Capture) []capture.ID {
	out := []capture.ID{}
	for _, c := range list {
		out = append(out, c.ID)
	}
	return out
}

// keepMany keeps n small captures of three drives, a minute apart, every fifth
// with another fault, and returns them oldest first.
func keepMany(t testing.TB, s *store.Store, n int) []capture.Capture {
	t.Helper()
	var all []capture.Capture
	for i := range n {
		c, data := storetest.Recording([]string{"elevator", "belt 3", "slew"}[i%3], i, 1, 8)
		if i%5 == 0 {
			c.Fault = capture.Fault{Code: 7, Shown: "F07"}
		}
		d := must[*store.Draft](t)(s.Draft(ctx, c))
		all = append(all, must[capture.Capture](t)(d.Keep(ctx, c, storetest.Chunk(data, 0, len(data)))))
	}
	return all
}

func TestCaptures(t *testing.T) {
	s := storetest.New(t)
	all := keepMany(t, s, 450) // more than are read in one transaction
	pick := func(want func(i int, c capture.Capture) bool) (out []capture.ID) {
		out = []capture.ID{}
		for i, c := range all {
			if want(i, c) {
				out = append(out, c.ID)
			}
		}
		slices.Reverse(out)
		return out
	}
	since, until := all[100].Trigger.Time, all[200].Trigger.Time
	for name, c := range map[string]struct {
		q    store.Query
		want []capture.ID
	}{
		"all":              {store.Query{}, pick(func(int, capture.Capture) bool { return true })},
		"since":            {store.Query{Since: since}, pick(func(i int, _ capture.Capture) bool { return i >= 100 })},
		"until":            {store.Query{Until: until}, pick(func(i int, _ capture.Capture) bool { return i < 200 })},
		"between":          {store.Query{Since: since, Until: until}, pick(func(i int, _ capture.Capture) bool { return i >= 100 && i < 200 })},
		"one drive":        {store.Query{Drives: []string{"belt 3"}}, pick(func(i int, _ capture.Capture) bool { return i%3 == 1 })},
		"two drives":       {store.Query{Drives: []string{"belt 3", "slew"}}, pick(func(i int, _ capture.Capture) bool { return i%3 > 0 })},
		"no such drive":    {store.Query{Drives: []string{"belt"}}, pick(func(int, capture.Capture) bool { return false })},
		"fault as shown":   {store.Query{Fault: "f07"}, pick(func(i int, _ capture.Capture) bool { return i%5 == 0 })},
		"fault as number":  {store.Query{Fault: "7"}, pick(func(i int, _ capture.Capture) bool { return i%5 == 0 })},
		"drive and fault":  {store.Query{Drives: []string{"elevator"}, Fault: "2311"}, pick(func(i int, _ capture.Capture) bool { return i%3 == 0 && i%5 != 0 })},
		"the newest three": {store.Query{Limit: 3}, pick(func(i int, _ capture.Capture) bool { return i >= 447 })},
		"before one":       {store.Query{Before: all[50].ID}, pick(func(i int, _ capture.Capture) bool { return i < 50 })},
		"nothing":          {store.Query{Since: until, Until: since}, pick(func(int, capture.Capture) bool { return false })},
	} {
		got := ids(must[[]capture.Capture](t)(s.Captures(ctx, c.q)))
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: %d captures, want %d", name, len(got), len(c.want))
		}
	}
	for _, q := range []store.Query{{}, {Drives: []string{"slew"}}, {Drives: []string{"slew", "elevator"}, Fault: "2311"}} {
		want := ids(must[[]capture.Capture](t)(s.Captures(ctx, q)))
		var got []capture.ID
		for q.Limit = 37; ; {
			page := must[[]capture.Capture](t)(s.Captures(ctx, q))
			got = append(got, ids(page)...)
			if len(page) < q.Limit {
				break
			}
			q.Before = page[len(page)-1].ID
		}
		if !slices.Equal(got, want) {
			t.Errorf("%v page by page: %d captures, want %d", q, len(got), len(want))
		}
	}
	ended, end := context.WithCancel(ctx)
	end()
	if _, err := s.Captures(ended, store.Query{}); !errors.Is(err, context.Canceled) {
		t.Errorf("with an ended context: %v", err)
	}
}

// The trigger time may be corrected between the opening, which makes the ID,
// and keeping. Queries go by the corrected one.
func TestCapturesByCorrectedTime(t *testing.T) {
	s := storetest.New(t)
	for n, by := range []time.Duration{-2 * time.Minute, 2 * time.Minute} {
		c, data := storetest.Recording("elevator", 10*n, 1, 8)
		d := must[*store.Draft](t)(s.Draft(ctx, c))
		c.Trigger.Time = c.Trigger.Time.Add(by)
		must[capture.Capture](t)(d.Keep(ctx, c, storetest.Chunk(data, 0, len(data))))
		q := store.Query{Since: c.Trigger.Time, Until: c.Trigger.Time.Add(time.Second)}
		if got := must[[]capture.Capture](t)(s.Captures(ctx, q)); len(got) != 1 {
			t.Errorf("%d captures at the time corrected by %v, want 1", len(got), by)
		}
	}
}

func TestFind(t *testing.T) {
	s := storetest.New(t)
	all := keepMany(t, s, 30)
	id := string(all[7].ID)
	for _, prefix := range []string{id, id[:len("20261125-031907")], " " + id + "\n"} {
		if c, err := s.Find(ctx, prefix); err != nil || string(c.ID) != id {
			t.Errorf("Find(%q) = %s, %v", prefix, c.ID, err)
		}
	}
	_, err := s.Find(ctx, "20261125-03")
	var several *store.Ambiguous
	if !errors.As(err, &several) || len(several.IDs) != 5 || !several.More || several.IDs[0] != all[0].ID {
		t.Errorf("an ambiguous prefix: %v", err)
	}
	_, err = s.Find(ctx, id[:len("20261125-0319")])
	if err != nil { // one capture a minute
		t.Errorf("a unique prefix: %v", err)
	}
	_, err = s.Find(ctx, "2027")
	if !errors.Is(err, store.ErrNotFound) || !strings.Contains(err.Error(), "faultkeep list") {
		t.Errorf("no such prefix: %v", err)
	}
	if _, err := s.Find(ctx, " "); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("no prefix: %v", err)
	}
	longer, data := storetest.Recording("elevator", 7, 1, 8) // a drive named like the tail of another's ID
	longer.ID = all[7].ID + "-abcd"
	d := must[*store.Draft](t)(s.Draft(ctx, longer))
	must[capture.Capture](t)(d.Keep(ctx, longer, storetest.Chunk(data, 0, len(data))))
	if c, err := s.Find(ctx, id); err != nil || string(c.ID) != id {
		t.Errorf("a whole ID that another begins with: %s, %v", c.ID, err)
	}
	for _, err := range []error{
		second(s.Get(ctx, "2027")),
		third(s.Bytes(ctx, "2027", capture.Data, 0, 1)),
		third(s.Original(ctx, "2027", capture.Data)),
		third(s.Samples(ctx, "2027")),
	} {
		if !errors.Is(err, store.ErrNotFound) {
			t.Errorf("an ID that isn't there: %v", err)
		}
	}
}

func second[A any](_ A, err error) error        { return err }
func third[A, B any](_ A, _ B, err error) error { return err }

// Last goes by the order of keeping, not by the trigger times.
func TestLast(t *testing.T) {
	s := storetest.New(t)
	if _, found, err := s.Last(ctx, "elevator"); found || err != nil {
		t.Errorf("in an empty store: %v %v", found, err)
	}
	storetest.Keep(t, s, "elevator", 9, 1, 8)
	older := storetest.Keep(t, s, "elevator", 2, 1, 8)
	storetest.Keep(t, s, "belt", 20, 1, 8)
	check := func() {
		t.Helper()
		if last, found, err := s.Last(ctx, "elevator"); err != nil || !found || last.ID != older.ID {
			t.Errorf("last is %s, %v, %v; want %s", last.ID, found, err, older.ID)
		}
	}
	check()
	s = reopen(t, s)
	check()
}

// Thousands of captures must stay quick to list and to search.
func TestManyCaptures(t *testing.T) {
	if testing.Short() || os.Getenv("CI") == "" && raceEnabled {
		t.Skip("long")
	}
	const n = 5000
	s := storetest.New(t)
	all := keepMany(t, s, n)
	for name, f := range map[string]func() int{
		"newest 50": func() int { return len(must[[]capture.Capture](t)(s.Captures(ctx, store.Query{Limit: 50}))) },
		"oldest 50 of one drive": func() int {
			return len(must[[]capture.Capture](t)(s.Captures(ctx, store.Query{Limit: 50, Before: all[160].ID, Drives: []string{"slew"}})))
		},
		"a fault that never was": func() int { return 50 + len(must[[]capture.Capture](t)(s.Captures(ctx, store.Query{Fault: "8611"}))) },
	} {
		begun := time.Now()
		if got := f(); got != 50 {
			t.Errorf("%s: %d", name, got)
		}
		if took := time.Since(begun); took > 250*time.Millisecond {
			t.Errorf("%s took %v", name, took)
		} else {
			t.Logf("%s of %d took %v", name, n, took)
		}
	}
	begun := time.Now()
	if got := must[[]capture.Capture](t)(s.Captures(ctx, store.Query{})); len(got) != n {
		t.Errorf("%d of %d", len(got), n)
	}
	t.Logf("all %d took %v", n, time.Since(begun))
	begun = time.Now()
	s = reopen(t, s)
	t.Logf("opening took %v", time.Since(begun))
	stats := must[store.Stats](t)(s.Stats(ctx))
	if stats.Captures != n || stats.Oldest != all[0].ID || stats.Newest != all[n-1].ID {
		t.Errorf("stats %+v", stats)
	}
	begun = time.Now()
	report := must[store.Report](t)(s.Verify(ctx, nil))
	t.Logf("verify took %v: %s", time.Since(begun), fmt.Sprint(report))
}
