package alert

import (
	"encoding/json"
	"net/url"
	"time"

	"faultkeep/store/capture"
)

// event is an alert in the JSON format of CloudEvents 1.0, structured mode.
type event struct {
	SpecVersion     string `json:"specversion"`
	ID              string `json:"id"` // the alert's, the same over every retry
	Source          string `json:"source"`
	Type            string `json:"type"`
	Subject         string `json:"subject,omitempty"`
	Time            string `json:"time,omitempty"`
	DataContentType string `json:"datacontenttype"`
	Data            data   `json:"data"`
}

type data struct {
	capture.Alert
	Page string `json:"page,omitempty"` // where it can be looked at
}

var types = map[capture.Kind]string{
	capture.KindCapture: "faultkeep.capture.kept",
	capture.KindPartial: "faultkeep.capture.partial",
}

// Event is an alert as a CloudEvents 1.0 event in JSON, on one line; link is
// the address under which people reach faultkeep's page, or empty.
func Event(a capture.Alert, link string) ([]byte, error) {
	e := event{
		SpecVersion:     "1.0",
		ID:              a.ID,
		Source:          source(a),
		Type:            types[a.Kind],
		Subject:         string(a.Capture),
		DataContentType: "application/json",
		Data:            data{a, Page(link, a)},
	}
	if e.Type == "" {
		e.Type = "faultkeep." + string(a.Kind)
	}
	if e.Subject == "" {
		e.Subject = a.Drive
	}
	if !a.Time.IsZero() {
		e.Time = a.Time.UTC().Format(time.RFC3339Nano)
	}
	return json.Marshal(e)
}

// source is the plant and the drive as a URI reference.
func source(a capture.Alert) string {
	site := "site"
	if a.Site != "" {
		site = capture.Slug(a.Site)
	}
	s := "/faultkeep/" + site
	if a.Drive != "" {
		s += "/" + url.PathEscape(a.Drive)
	}
	return s
}
