package export

import (
	"fmt"
	"strings"
	"time"

	"faultkeep/store/capture"
)

// Names are the schemes by which a capture's file can be named.
var Names = []string{"short", "c37.232"}

// NameBy is the name of a capture's file by a scheme of Names.
//
// "c37.232" is the common name of time sequence data files, IEEE C37.232: start
// date, start time, time code, station, device, company, parted by commas.
// From memory, the standard itself wasn't at hand: the order of these fields,
// YYMMDD, hhmmss with six more digits, and 0z as the time code of UTC. There is
// no company in a capture, so its field holds the site, as the station's does;
// the capture's ID follows as a field of ours.
func NameBy(scheme string, c capture.Capture, extension string) string {
	if scheme != "c37.232" {
		return FileName(c.ID, extension)
	}
	start := c.Trigger.Time.UTC().Add(time.Duration(c.At(0) * 1e9))
	fields := []string{start.Format("060102"), strings.ReplaceAll(start.Format("150405.000000"), ".", ""), "0z",
		nameField(c.Site), nameField(c.Drive), nameField(c.Site), FileName(c.ID, "")}
	return strings.Join(fields, ",") + extension
}

// nameField is text as a field of a name: without commas and what file systems
// mind, and not so long that the whole name gets too long.
func nameField(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || strings.ContainsRune(`,<>:"/\|?*. `, r) {
			return '_'
		}
		return r
	}, s)
	if s = strings.Trim(s, "_"); s == "" {
		return "unknown"
	}
	r := []rune(s)
	return string(r[:min(len(r), 24)])
}

// FindName checks a scheme's name.
func FindName(scheme string) error {
	for _, n := range Names {
		if n == scheme {
			return nil
		}
	}
	return fmt.Errorf("there is no scheme of names %q; there are %s", scheme, strings.Join(Names, ", "))
}
