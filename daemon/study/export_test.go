package study

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"faultkeep/daemon/analysis/likeness"
	"faultkeep/store/capture"
)

// CheckPack packs and unpacks the picture of a capture.
func CheckPack(t *testing.T, c capture.Capture, series []capture.Series) {
	t.Helper()
	was := printed{"2311-A", likeness.Of(c, series)}
	was.Asked = float64(float32(was.Asked))
	b := was.pack()
	got, err := unpack(b, names{})
	if diff := cmp.Diff(was, got); diff != "" || err != nil || len(was.Cells) == 0 {
		t.Errorf("%v %s", err, diff)
	}
	if f := familyOf(b); f != "2311-A" {
		t.Errorf("family %q", f)
	}
	for n := range len(b) - len(was.Cells) {
		if _, err := unpack(b[:n], names{}); err == nil {
			t.Errorf("the first %d of %d bytes are taken for a picture", n, len(b))
		}
	}
}

// CheckUnpack unpacks anything.
func CheckUnpack(b []byte) { _, _ = unpack(b, names{}); _ = familyOf(b) }
