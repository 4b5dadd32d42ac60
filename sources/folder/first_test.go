package folder_test

import (
	"fmt"
	"os"
	"sync/atomic"
	"testing"
	"time"

	"faultkeep/sources/folder"
)

// What is there at the first look is passed over or not, as the config says,
// and that stays so; what comes later is kept, whenever faultkeep runs.
func TestFromWhen(t *testing.T) {
	for from, of := range map[string]struct{ files, want int }{"": {100, 0}, folder.FromNow: {1500, 0}, folder.FromAll: {300, 300}, "2026-06-01": {300, 100}} {
		t.Run(from, func(t *testing.T) {
			want := of.want
			inTime(t, func(r *rig) {
				r.o.Config.From = from
				for i := range of.files {
					name := fmt.Sprintf("%02d/old%03d.toy", i%7, i)
					r.write(name, file(i))
					at := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
					if i < 100 {
						at = time.Date(2026, 6, 1, 0, 0, i, 0, time.UTC)
					}
					r.must(os.Chtimes(r.at(name), at, at))
				}
				r.watch()
				r.wantKept(want)
				r.write("new.toy", file(5000))
				old := time.Date(2001, 1, 1, 0, 0, 0, 0, time.UTC)
				r.must(os.Chtimes(r.at("new.toy"), old, old)) // copied with its time
				r.wantKept(want + 1)
				away := r.path + " away" // as what is mounted below does
				r.must(os.Rename(r.at("01"), away))
				r.wantKept(want + 1)
				r.must(os.Rename(away, r.at("01")))
				r.wantKept(want + 1)
				r.end()
				r.write("down.toy", file(5001)) // comes while nobody watches
				r.must(os.Chtimes(r.at("down.toy"), old, old))
				r.watch()
				r.wantKept(want + 2)
				r.write("00/old000.toy", file(5002)) // written again
				r.wantKept(want + 3)
				var reads atomic.Int32
				r.o.Disk = disk{Disk: folder.OSDisk, read: func(string) error { reads.Add(1); return nil }}
				r.restart()
				r.wantKept(want + 3)
				if n := reads.Load(); n > 0 {
					t.Errorf("%d files were read again at a start", n)
				}
			})
		})
	}
}
