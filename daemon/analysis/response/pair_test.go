package response

import (
	"strings"
	"testing"

	"faultkeep/store/capture"
)

// Names as drives and people write them; common practice, no source.
func TestPairs(t *testing.T) {
	channel := func(s string) capture.Channel { // "name|unit|role"
		parts := strings.Split(s, "|")
		return capture.Channel{Name: parts[0], Unit: parts[1], Role: capture.Role(parts[2])}
	}
	for _, c := range []struct {
		channels []string
		want     string // "set>actual" by name, in order
	}{
		{[]string{"speed setpoint|rpm|setpoint", "speed|rpm|speed"}, "speed setpoint>speed"},
		{[]string{"speed|rpm|speed", "current|A|current", "w|rpm|setpoint"}, "w>speed"},
		{[]string{"SpeedRef|1/min|other", "SpeedAct|rpm|other"}, "SpeedRef>SpeedAct"},
		{[]string{"n_ref|rpm|setpoint", "n_act|rpm|other", "torque|Nm|torque"}, "n_ref>n_act"},
		{[]string{"torque setpoint|Nm|setpoint", "speed|rpm|speed", "torque|N·m|torque"}, "torque setpoint>torque"},
		{[]string{"speed setpoint|%|setpoint", "torque|%|torque", "speed|%|speed"}, "speed setpoint>speed"},
		{[]string{"axis 1 position command|mm|other", "axis 2 position command|mm|other", "axis 2 position feedback|mm|other", "axis 1 position feedback|mm|other"},
			"axis 1 position command>axis 1 position feedback axis 2 position command>axis 2 position feedback"},
		{[]string{"Speed demand|Hz|other", "Motor speed|rpm|speed"}, ""},
		{[]string{"position setpoint|mm|setpoint", "position error|mm|position-error"}, ""},
		{[]string{"speed|rpm|speed", "current|A|current"}, ""},
		{[]string{"status set|-|digital", "speed|rpm|speed"}, ""},
		{[]string{"setpoint||", "speed||speed"}, "setpoint>speed"},
		{[]string{"Velocity Set Point|rpm|", "Velocity Actual Value|rpm|"}, "Velocity Set Point>Velocity Actual Value"},
	} {
		var channels []capture.Channel
		for _, s := range c.channels {
			channels = append(channels, channel(s))
		}
		pairs, why := pairUp(channels)
		var got []string
		for _, p := range pairs {
			got = append(got, channels[p.set].Name+">"+channels[p.act].Name)
		}
		if s := strings.Join(got, " "); s != c.want || len(pairs) == 0 && why == "" {
			t.Errorf("%v: %q, want %q", c.channels, s, c.want)
		}
	}
}

func TestNumbersInWords(t *testing.T) {
	for _, c := range []struct {
		v, pm float64
		want  string
	}{
		{14.2883, .5, "14.3"}, {14.2883, .13, "14.29"}, {1500, 10, "1500"}, {1543, 100, "1500"}, {-.5, .1, "−0.50"}, {0, 1, "0.0"},
		{-0.0001, .01, "0.000"}, {123456, 0, "123500"}, {.00123456, 0, "0.001235"}, {0, 0, "0"}, {2.2, 1e-9, "2.200"},
	} {
		if got := num(c.v, c.pm); got != c.want {
			t.Errorf("num(%g, %g) = %q, want %q", c.v, c.pm, got, c.want)
		}
	}
	for v, want := range map[float64]string{.0123: "0.012", 1.26: "1.3", 34.4: "34", 120: "120", 1e-7: "0.00000010"} {
		if got := short(v); got != want {
			t.Errorf("short(%g) = %q, want %q", v, got, want)
		}
	}
}
