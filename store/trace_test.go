package store_test

import (
	"testing"

	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

// TestTraceStaysBesideItsRecording keeps a recording with its trace, and a
// trace of a trip without a recording.
func TestTraceStaysBesideItsRecording(t *testing.T) {
	s := storetest.New(t, storetest.To("hook"))
	recording := storetest.Keep(t, s, "elevator", 1, 2, 100)
	keepTrace := func(of capture.ID, drive string, n int) capture.Capture {
		c, data := storetest.Recording(drive, n, 2, 50)
		c.Origin, c.Of, c.ID = capture.Trace, of, of.TraceID()
		c.Provenance.Identity = "trace of " + string(of)
		d, err := s.Draft(t.Context(), c)
		if err != nil {
			t.Fatal(err)
		}
		if c, err = d.Keep(t.Context(), c, storetest.Chunk(data, 0, len(data))); err != nil {
			t.Fatal(err)
		}
		return c
	}
	beside := keepTrace(recording.ID, "elevator", 2)
	only := keepTrace(capture.NewID(storetest.Night, "belt-3", "trace"), "belt-3", 3)

	list, err := s.Captures(t.Context(), store.Query{})
	if err != nil || len(list) != 2 {
		t.Fatalf("%d captures listed, %v", len(list), err)
	}
	for _, c := range list {
		if c.ID == beside.ID {
			t.Error("the trace is listed beside its recording")
		}
	}
	if last, found, _ := s.Last(t.Context(), "elevator"); !found || last.ID != recording.ID {
		t.Errorf("last recording %v", last.ID)
	}
	if _, found, _ := s.Last(t.Context(), "belt-3"); found {
		t.Error("a trace counts as a recording")
	}
	for prefix, want := range map[string]capture.ID{
		string(recording.ID):                           recording.ID,
		string(recording.ID[:len(recording.ID)-2]):     recording.ID,
		string(beside.ID):                              beside.ID,
		string(beside.ID[:len(beside.ID)-2]):           beside.ID,
		string(only.ID[:len(only.ID)-len("-trace")-2]): only.ID,
	} {
		if c, err := s.Find(t.Context(), prefix); err != nil || c.ID != want {
			t.Errorf("%s finds %s, %v", prefix, c.ID, err)
		}
	}
	if n, err := s.AlertCounts(t.Context()); err != nil || n.Raised != 1 {
		t.Errorf("%+v alerts, want the recording's alone, %v", n, err)
	}
	if traces, err := s.Ledger(t.Context(), store.Query{Kinds: []string{store.KindTrace}}); err != nil || len(traces) != 2 {
		t.Errorf("%d traces in the ledger, %v", len(traces), err)
	}
}
