package export

import (
	"context"
	"io"

	"faultkeep/store/format/comtrade"
)

// COMTRADE writes the 2013 edition's single file, in the narrowest data type
// that gives every sample back exactly.
func COMTRADE(w io.Writer, r Record) error {
	if err := r.Check(); err != nil {
		return err
	}
	one := func(string) (io.Writer, error) { return w, nil }
	return comtrade.Encoder{Single: true}.Encode(context.Background(), one, r.Capture, r.Series)
}
