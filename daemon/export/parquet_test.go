package export_test

import (
	"io"
	"math"
	"strings"
	"testing"

	"github.com/parquet-go/parquet-go"

	"faultkeep/daemon/export"
)

// What wasn't read is null and what the drive sent as not a number is NaN; how
// the file is read by a program that isn't ours is tested in its own room.
func TestParquet(t *testing.T) {
	for _, partial := range []bool{false, true} {
		r := record(t, partial)
		text := written(t, export.Parquet, r)
		f, err := parquet.OpenFile(strings.NewReader(text), int64(len(text)))
		if err != nil {
			t.Fatal(err)
		}
		if id, ok := f.Lookup("faultkeep.id"); !ok || id != string(r.Capture.ID) {
			t.Errorf("the capture's ID is %q", id)
		}
		rows := make([]parquet.Row, 9)
		if n, err := f.RowGroups()[0].Rows().ReadRows(rows); n != 8 || err != nil && err != io.EOF {
			t.Fatal(n, err)
		}
		for i, row := range rows[:8] {
			speed, ready, volts := row[1], row[2], row[len(row)-1]
			if speed.Double() != r.Series[0][i] || ready.Boolean() != (i%2 == 1) { // the words are 0xff00 and on
				t.Errorf("row %d: speed %v, ready %v", i, speed, ready)
			}
			if gap := partial && (i == 2 || i == 3); volts.IsNull() != gap {
				t.Errorf("partial %v, row %d: %v", partial, i, volts)
			}
		}
		if volts := rows[0][len(rows[0])-1].Double(); !math.IsNaN(volts) {
			t.Errorf("the drive's own NaN is %v", volts)
		}
	}
}
