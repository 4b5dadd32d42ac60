package anatomy

import (
	"flag"
	"fmt"
	"os"
	"testing"

	"faultkeep/sources/drivesim"
)

var dumpCause = flag.String("dump.cause", "", "")
var dumpSeed = flag.Uint64("dump.seed", 1, "")

func TestDump(t *testing.T) {
	if *dumpCause == "" {
		t.Skip()
	}
	c, series, truth := drivesim.Scenario{Seed: *dumpSeed, Cause: drivesim.Cause(*dumpCause)}.Play()
	r, _ := newRecord(c, series)
	s := r.study()
	f, _ := os.Create("/tmp/dump.csv")
	for i := range r.trigger {
		fmt.Fprintf(f, "%g", r.at(i))
		for _, x := range series {
			fmt.Fprintf(f, " %g", x[i])
		}
		for k := range r.signals {
			if tr := s.byIndex[k]; tr != nil {
				kk := &tracker{r: r, t: tr, freeAt: 1 << 60}
				e := kk.excused(i)
				if e > 1e9 {
					e = 0
				}
				fmt.Fprintf(f, " %g %g", tr.off[i], e)
			}
		}
		fmt.Fprintln(f)
	}
	f.Close()
	t.Log(truth.Machine.Name, truth.Noise, truth.Interval, truth.Acts, truth.Movers)
	for _, tr := range s.tracks {
		t.Logf("%s moved %v onset %.4f alarm %.4f sigma %.3g band %.3g step %.3g base %d/%d peak %.3g usual %.3g", tr.name, tr.moved, r.at(tr.onset), r.at(tr.alarm), tr.sigma, tr.band, tr.step, tr.base, r.trigger, tr.peak, tr.usual)
	}
}
