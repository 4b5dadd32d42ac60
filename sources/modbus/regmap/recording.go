package regmap

import (
	"time"

	"faultkeep/store/capture"
)

// Recording is what the header says about the recording on the drive.
type Recording struct {
	Encoding  capture.Encoding
	Channels  []capture.Channel
	Timing    capture.Timing
	Trigger   int        // number of samples before the trigger
	DriveTime *time.Time // trigger time by the drive's clock, which is taken as UTC; nil: it has none
}

// Recording builds the layout of the recording from the header's values. The
// error is one sentence that names the register whose number can't be.
func (m *Map) Recording(img Image) (Recording, error) { return Recording{}, nil }
