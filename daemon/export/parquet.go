package export

import (
	"context"
	"io"

	"faultkeep/store/format/parquet"
)

// Parquet writes one row a sample with the capture's facts as metadata, as the
// package parquet describes. What wasn't read is null, as CSV's empty field.
func Parquet(w io.Writer, r Record) error {
	if err := r.Check(); err != nil {
		return err
	}
	one := func(string) (io.Writer, error) { return w, nil }
	return parquet.Encoder{Present: r.present}.Encode(context.Background(), one, r.Capture, r.Series)
}
