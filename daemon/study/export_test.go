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
	was.Cause = "load or jam"
	was.Asked = float64(float32(was.Asked))
	b := was.pack()
	got, err := unpack(b, names{})
	if diff := cmp.Diff(was, got); diff != "" || err != nil || len(was.Cells) == 0 {
		t.Errorf("%v %s", err, diff)
	}
	if f := familyOf(b); f != "2311-A" {
		t.Errorf("family %q", f)
	}
	old := was
	old.Version, old.Cause = 1, ""
	if got, err := unpack(old.pack(), names{}); err != nil || !cmp.Equal(old, got) || len(old.pack()) != len(b)-1-len(was.Cause) {
		t.Errorf("of version 1: %v %s", err, cmp.Diff(old, got))
	}
	for n := range len(b) - len(was.Cells) {
		if _, err := unpack(b[:n], names{}); err == nil {
			t.Errorf("the first %d of %d bytes are taken for a picture", n, len(b))
		}
	}
}

// CheckUnpack unpacks anything.
func CheckUnpack(b []byte) { _, _ = unpack(b, names{}); _ = familyOf(b) }
