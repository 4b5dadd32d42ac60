package store_test

import (
	"context"
	"testing"
	"time"

	"faultkeep/store"
	"faultkeep/store/storetest"
)

// A drive's fault count is there again after the store was closed.
func TestFaultCountStays(t *testing.T) {
	ctx := context.Background()
	at := time.Date(2026, 11, 25, 3, 12, 7, 0, time.UTC)
	path := t.TempDir() + "/faultkeep.db"
	s := storetest.New(t, storetest.At(path))
	if _, found, err := s.FaultCount(ctx, "elevator"); found || err != nil {
		t.Fatalf("before any was noted: found=%v, %v", found, err)
	}
	for drive, n := range map[string]int64{"elevator": 7, "fan": 0} {
		if err := s.CountFaults(ctx, drive, store.FaultCount{Count: n, At: at}); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.CountFaults(ctx, "elevator", store.FaultCount{Count: 9, At: at.Add(time.Hour)}); err != nil {
		t.Fatal(err)
	}
	// The same count again moves nothing, or trips between would be taken for counted.
	if err := s.CountFaults(ctx, "elevator", store.FaultCount{Count: 9, At: at.Add(2 * time.Hour)}); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = storetest.New(t, storetest.At(path))
	for drive, want := range map[string]store.FaultCount{
		"elevator": {Count: 9, At: at.Add(time.Hour)}, "fan": {Count: 0, At: at},
	} {
		if got, found, err := s.FaultCount(ctx, drive); !found || err != nil || got != want {
			t.Errorf("%s: %+v found=%v %v, want %+v", drive, got, found, err, want)
		}
	}
}
