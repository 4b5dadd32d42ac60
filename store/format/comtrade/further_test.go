package comtrade_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"faultkeep/store/format"
)

// A header is kept whole, an information file entry by entry, and neither
// takes more than its share.
func TestHeaderAndInformation(t *testing.T) {
	with := func(hdr, inf string) format.Record {
		return one(t, append(pair(cfg1999("ASCII"), text1999), format.File{Name: "trip.hdr", Bytes: []byte(hdr)}, format.File{Name: "TRIP.INF", Bytes: []byte(inf)}))
	}
	r := with("\uFEFFBucket elevator\r\n2311\r\n\x1a", "[Public Record_Information]\r\n; Fault=1\r\nFault = 2311\nStation=elsewhere\rno entry\r\n=x\r\n")
	if len(r.Warnings) > 0 || r.Field("header") != "Bucket elevator\r\n2311" || r.Field("fault") != "2311" || r.Field("station") != "Northquay" {
		t.Errorf("%q, %q", r.Fields, r.Warnings)
	}
	var many strings.Builder
	for i := range 2000 {
		fmt.Fprintf(&many, "entry_%d=%d\r\n", i, i)
	}
	r = with("F\xf6rderer"+strings.Repeat(".", 2<<20), many.String())
	want := []string{"trip.hdr has 2097160 bytes, of which the first 1048576 were taken.", "trip.hdr isn't UTF-8; it was read as ISO 8859-1.",
		"TRIP.INF has more than 1000 entries, of which the first were taken."}
	if !slices.Equal(r.Warnings, want) || !strings.HasPrefix(r.Field("header"), "Förderer.") || len(r.Fields) > 1010 {
		t.Errorf("%d fields, %q", len(r.Fields), r.Warnings)
	}
	if r := with("", ""); len(r.Warnings) > 0 {
		t.Errorf("empty files: %q", r.Warnings)
	}
}
