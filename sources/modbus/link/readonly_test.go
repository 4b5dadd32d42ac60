package link_test

import (
	"context"
	"testing"

	"faultkeep/sources/modbus/link"
	"faultkeep/sources/modbus/regmap"
)

// writable counts what would reach a drive.
type writable struct {
	link.Link
	reads, writes int
}

func (w *writable) Read(context.Context, uint8, regmap.Read) ([]byte, error) {
	w.reads++
	return []byte{0, 7}, nil
}

func (w *writable) Write(context.Context, uint8, regmap.Write) error {
	w.writes++
	return nil
}

func TestReadOnlySendsNoWrite(t *testing.T) {
	drive := &writable{}
	l, err := link.ReadOnly(func(context.Context) (link.Link, error) { return drive, nil })(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, table := range []regmap.Table{regmap.Holding, regmap.Coil} {
		if err := l.Write(t.Context(), 1, regmap.Write{Table: table, Words: []uint16{1}}); err == nil {
			t.Error("a write went through")
		}
	}
	if b, err := l.Read(t.Context(), 1, regmap.Read{Table: regmap.Holding, Count: 1}); err != nil || len(b) != 2 || drive.reads != 1 || drive.writes != 0 {
		t.Errorf("%v %v, %d reads, %d writes", b, err, drive.reads, drive.writes)
	}
}
