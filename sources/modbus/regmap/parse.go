package regmap

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"time"

	"faultkeep/configs/strict"
	"faultkeep/store/capture"
)

// Bounds of a map. No drive comes near; they keep a mistaken or hostile file harmless.
const (
	maxChannels = 64
	maxValues   = 64 // of live, identity and expect each
	maxWrites   = 32
	maxGap      = 10 * time.Second
	maxWait     = 10 * time.Minute
)

// Parse reads and checks a map file. Where it returns problems, the map must not be used.
func Parse(file string, src []byte) (*Map, strict.Problems) {
	in := fileMap{Limits: fileLimits{Registers: 125, Connections: 1, Bridge: 16}}
	doc, problems := strict.Decode(file, src, &in)
	sum := sha256.Sum256(src)
	c := &checker{doc: doc, in: &in, m: &Map{Name: in.Name, Note: in.Note, Hash: hex.EncodeToString(sum[:])}, problems: problems}
	if doc.Readable() {
		c.limits()
		c.top()
		c.status()
		c.lists()
		c.header()
		c.data()
		c.channels()
		c.checksum()
		c.arm()
		c.settings()
		c.overlaps()
	}
	return c.m, c.problems.Sorted()
}

// checker turns what a file says into a Map and collects what can't be.
type checker struct {
	doc      *strict.Doc
	in       *fileMap
	m        *Map
	problems strict.Problems
	regions  []region // what the map reads, for the check of its writes
}

// report adds a problem at the value of path.
func (c *checker) report(path, text, hint string) {
	c.problems = append(c.problems, c.doc.Problem(path, text, hint))
}

func (c *checker) limits() {
	l := c.in.Limits
	c.m.Limits = Limits{Registers: l.Registers, Connections: l.Connections, Gap: l.Gap.Std(), Bridge: l.Bridge}
	if l.Gap.Std() > maxGap {
		c.report("limits.gap", fmt.Sprintf("is %v; the most is %v", l.Gap, maxGap), "")
	}
}

func (c *checker) top() {
	if c.in.Name == "" && c.doc.Clean("name") {
		c.report("name", "is missing", "name the drive model, such as name: my-drive")
	}
	for _, section := range []struct{ key, hint string }{
		{"status", "say where the recorder's state is"},
		{"header", "say how many samples there are, how far apart, and where the trigger is"},
		{"channels", "list the recording's channels"},
		{"data", "say where the samples are"},
	} {
		if !c.doc.Has(section.key) && c.doc.Clean(section.key) {
			c.report(section.key, "is missing", section.hint)
		}
	}
}

func (c *checker) status() {
	s := c.in.Status
	for _, entry := range []struct {
		key, name string
		from      *fileValue
		to        **Value
	}{
		{"fault", "fault", s.Fault, &c.m.Status.Fault},
		{"fault_code", "fault code", s.FaultCode, &c.m.Status.FaultCode},
		{"fault_count", "fault count", s.FaultCount, &c.m.Status.FaultCount},
		{"warning", "warning", s.Warning, &c.m.Status.Warning},
		{"state", "recorder state", s.State, &c.m.Status.State},
		{"hours", "operating hours", s.Hours, &c.m.Status.Hours},
	} {
		*entry.to = c.place("status."+entry.key, entry.from, entry.name)
	}
	switch path := "status.state"; {
	case s.State == nil && c.doc.Has("status") && c.doc.Clean(path):
		c.report(path, "is missing", "say where the recorder's state is, and which of its numbers means ready")
	case c.m.Status.State != nil:
		c.states(path, s.State.Values)
	}
	if v := c.m.Status.FaultCode; v != nil && float(v.Type) {
		c.report("status.fault_code.type", fmt.Sprintf("is %s; a fault code is a whole number", v.Type), "")
	}
}

// states checks what the recorder's numbers mean.
func (c *checker) states(path string, values map[int64]string) {
	known := make([]string, len(capture.RecorderStates))
	for i, s := range capture.RecorderStates {
		known[i] = string(s)
	}
	found := map[capture.RecorderState]bool{}
	wrong := false
	for _, number := range sortedKeys(values) {
		word := values[number]
		if !contains(known, word) {
			c.report(fmt.Sprintf("%s.values.%d", path, number), fmt.Sprintf("is %q, which is not a recorder state", word), strict.Choice(word, known))
			wrong = true
		}
		found[capture.RecorderState(word)] = true
	}
	if wrong {
		return
	}
	if !found[capture.Ready] {
		c.report(path+".values", "has no number that means ready", "write which does, such as values: {1: armed, 3: ready}")
	}
	if c.in.Arm != nil && !found[capture.Armed] {
		c.report(path+".values", "has no number that means armed, so arming couldn't be confirmed", "write which does, or leave out arm")
	}
}

func (c *checker) lists() {
	c.m.Live = c.list("live", c.in.Live)
	c.m.Identity = c.list("identity", c.in.Identity)
	if c.tooMany("expect", len(c.in.Expect)) {
		return
	}
	for i, from := range c.in.Expect {
		path := fmt.Sprintf("expect[%d]", i)
		v := c.place(path, &from.fileValue, "")
		if v == nil {
			continue
		}
		switch {
		case from.Equals == nil && from.Low == nil && from.High == nil:
			c.report(path, "says no wanted value", "add equals, or low and high")
		case from.Equals != nil && (from.Low != nil || from.High != nil):
			c.report(path+".equals", "stands beside low or high", "leave one of them out")
		case from.Low != nil && from.High != nil && *from.Low > *from.High:
			c.report(path+".low", fmt.Sprintf("is %v, above high, which is %v", *from.Low, *from.High), "")
		}
		c.m.Expect = append(c.m.Expect, Expect{*v, from.Equals, from.Low, from.High})
	}
}

func (c *checker) list(path string, from []fileValue) (values []Value) {
	if c.tooMany(path, len(from)) {
		return nil
	}
	seen := map[string]int{}
	for i := range from {
		at := fmt.Sprintf("%s[%d]", path, i)
		v := c.place(at, &from[i], "")
		if v == nil {
			continue
		}
		if before, again := seen[v.Name]; again {
			c.report(at+".name", fmt.Sprintf("is %q, as that of %s[%d]", v.Name, path, before), "give each its own name")
		}
		seen[v.Name] = i
		values = append(values, *v)
	}
	return values
}

func (c *checker) tooMany(path string, n int) bool {
	if n > maxValues {
		c.report(path, fmt.Sprintf("has %d entries; the most is %d", n, maxValues), "")
	}
	return n > maxValues
}

func (c *checker) checksum() {
	from := c.in.Checksum
	if from == nil {
		return
	}
	path := "checksum"
	kind := ChecksumKind(from.Kind)
	kinds := []string{string(CRC16), string(CRC32), string(Sum)}
	if from.Kind == "" {
		if c.doc.Clean(path) {
			c.report(path+".kind", "is missing", "known here: crc-16, crc-32, sum")
		}
	} else if !contains(kinds, from.Kind) {
		c.report(path+".kind", fmt.Sprintf("is %q, which is not a checksum faultkeep knows", from.Kind), strict.Choice(from.Kind, kinds))
	}
	v := c.place(path, &from.fileValue, "checksum")
	if v == nil {
		return
	}
	need := map[ChecksumKind]int{CRC16: 16, CRC32: 32, Sum: 8}[kind]
	switch {
	case v.Table.Bits():
		c.report(path, "is at a single bit", "say which registers hold it")
	case float(v.Type):
		c.report(path+".type", fmt.Sprintf("is %s; a checksum is a whole number", v.Type), "")
	case width(v.Type) < need:
		c.report(path+".type", fmt.Sprintf("is %s, %d bits; %s has %d", v.Type, width(v.Type), kind, need), fmt.Sprintf("write type: uint%d", need))
	case v.Bit >= 0 || v.Mask != 0 || v.Scale != 1 || v.Offset != 0 || len(v.Values) > 0:
		c.report(path, "is changed by bit, mask, scale, offset or values", "leave them out")
	}
	c.m.Checksum = &Checksum{Kind: kind, Value: *v}
}
