package link

import (
	"errors"
	"fmt"
	"os"
	"strings"

	"faultkeep/sources/modbus/regmap"
)

// errUnusable is what a Link answers after it has failed: what is still
// under way on its connection could be taken for the answer to a new request.
var errUnusable = errors.New("connection unusable after an earlier failure; dial again")

// errSilent is a request that wasn't answered in time.
var errSilent = fmt.Errorf("no answer in time: %w", os.ErrDeadlineExceeded)

// unsent is a request that never went out, so the connection is as before.
type unsent struct{ err error }

func (e *unsent) Error() string { return e.err.Error() }
func (e *unsent) Unwrap() error { return e.err }

func refuse(format string, args ...any) error { return &unsent{fmt.Errorf(format, args...)} }

// Usable tells whether a connection can be used on after err: it refused the
// request, or the request never went out.
func Usable(err error) bool {
	var never *unsent
	var refused Exception
	return err == nil || errors.As(err, &refused) || errors.As(err, &never)
}

func checkRead(r regmap.Read) error {
	most := mostRegisters
	switch r.Table {
	case regmap.Coil, regmap.Discrete:
		most = mostBits
	case regmap.Holding, regmap.Input:
	default:
		return refuse("%q is no Modbus table", r.Table)
	}
	if r.Count < 1 || int(r.Count) > most {
		return refuse("a request reads 1 to %d of %s, not %d", most, r.Table, r.Count)
	}
	if int(r.Address)+int(r.Count) > 1<<16 {
		return refuse("%d of %s from %d on go past address 65535", r.Count, r.Table, r.Address)
	}
	return nil
}

func checkFile(r fileRef) error {
	if r.words < 1 || r.words > mostFileWords {
		return refuse("a request reads 1 to %d registers of a file, not %d", mostFileWords, r.words)
	}
	if r.file < 1 || int(r.record)+int(r.words) > fileRecords {
		return refuse("files are numbered from 1 and have records 0–%d: file %d, records %d–%d", fileRecords-1,
			r.file, r.record, int(r.record)+int(r.words)-1)
	}
	return nil
}

func checkWrite(w regmap.Write) error {
	switch w.Table {
	case regmap.Coil:
		if len(w.Words) != 1 || w.Words[0] > 1 {
			return refuse("a coil is written with one value, 0 or 1, not %v", w.Words)
		}
	case regmap.Holding:
		if len(w.Words) < 1 || len(w.Words) > mostWords {
			return refuse("a request writes 1 to %d registers, not %d", mostWords, len(w.Words))
		}
		if int(w.Address)+len(w.Words) > 1<<16 {
			return refuse("%d registers from %d on go past address 65535", len(w.Words), w.Address)
		}
	default:
		return refuse("only holding registers and coils can be written, not %q", w.Table)
	}
	return nil
}

func opRead(r regmap.Read) string {
	if r.Count == 1 {
		return fmt.Sprintf("read %s %d", r.Table, r.Address)
	}
	return fmt.Sprintf("read %s %d–%d", r.Table, r.Address, int(r.Address)+int(r.Count)-1)
}

func opFile(r fileRef) string {
	return fmt.Sprintf("read file %d, records %d–%d", r.file, r.record, int(r.record)+int(r.words)-1)
}

// opWrite is a write as the ledger shows it: "holding 40 = 1".
func opWrite(w regmap.Write) string {
	words := make([]string, len(w.Words))
	for i, word := range w.Words {
		words[i] = fmt.Sprint(word)
	}
	return fmt.Sprintf("%s %d = %s", w.Table, w.Address, strings.Join(words, " "))
}
