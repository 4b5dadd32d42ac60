package parquet

import (
	"encoding/json"
	"strconv"
	"strings"
	"time"

	"faultkeep/store/capture"
	"faultkeep/store/format"
)

// version is of the keys, the columns' names and their types.
const version = "1"

// described is what the metadata says of a column.
type described struct {
	Column  string       `json:"column"`
	Channel string       `json:"channel"`
	Unit    string       `json:"unit,omitempty"`
	Role    capture.Role `json:"role,omitempty"`
	Bit     *int         `json:"bit,omitempty"` // of a digital channel, the lowest is 0
	BitName string       `json:"bit_name,omitempty"`
}

// factsOf is the file's metadata, see the package's comment.
func factsOf(c capture.Capture, columns []column) (facts []format.Field, err error) {
	add := func(key, value string) {
		if value != "" {
			facts = append(facts, format.Field{Name: "faultkeep." + key, Value: strings.ToValidUTF8(value, "\uFFFD")})
		}
	}
	add("version", version)
	add("id", string(c.ID))
	add("origin", string(c.Origin))
	add("site", c.Site)
	add("drive", c.Drive)
	add("title", c.Title)
	add("drive_type", c.DriveType)
	add("fault_code", faultCode(c.Fault))
	add("fault", c.Fault.String())
	add("trigger_time", moment(c.Trigger.Time))
	add("trigger_earliest", moment(c.Trigger.Earliest))
	add("trigger_latest", moment(c.Trigger.Latest))
	if u := c.Trigger.Uncertainty(); u > 0 {
		add("trigger_uncertainty_s", number(u.Seconds()))
	}
	if c.Trigger.Drive != nil {
		add("trigger_drive_time", moment(*c.Trigger.Drive))
	}
	add("trigger_index", strconv.Itoa(c.Trigger.Index))
	add("interval_s", number(c.Timing.Interval))
	if len(c.Timing.Rates) > 0 {
		rates, err := json.Marshal(c.Timing.Rates)
		if err != nil {
			return nil, err
		}
		add("rates", string(rates))
	}
	add("whole", strconv.FormatBool(c.Integrity.Whole))
	add("wholeness", c.Wholeness())
	add("why", c.Integrity.Why)
	add("kept", moment(c.Kept))
	add("sha256", c.Integrity.SHA256)
	list := []described{}
	for _, col := range columns {
		if col.channel < 0 {
			continue
		}
		channel := c.Channels[col.channel]
		d := described{Column: col.name, Channel: channel.Name, Unit: channel.Unit, Role: channel.Role}
		if col.bit >= 0 {
			d.Bit, d.BitName = &col.bit, bitName(channel, col.bit)
		}
		list = append(list, d)
	}
	text, err := json.Marshal(list)
	add("columns", string(text))
	return facts, err
}

func faultCode(f capture.Fault) string {
	if f.Shown == "" && f.Code != 0 {
		return strconv.FormatUint(uint64(f.Code), 10)
	}
	return f.Shown
}

// moment is a time in UTC, or nothing where it isn't known.
func moment(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(time.RFC3339Nano)
}

func number(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
