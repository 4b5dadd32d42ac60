package web_test

import (
	"context"
	"encoding/json"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"faultkeep/daemon/web"
	"faultkeep/store"
	"faultkeep/store/capture"
)

// described is the API's description, and a validator of JSON Schema 2020-12,
// which OpenAPI 3.1 builds on, that isn't ours.
type described struct {
	paths    map[string]map[string]any
	compiler *jsonschema.Compiler
}

const descriptionURL = "file:///openapi.json"

func description(t *testing.T, h http.Handler) described {
	t.Helper()
	w := ask(t, h, "GET", "/api/v1/openapi.yaml", "", "Authorization", token)
	if w.Code != http.StatusOK {
		t.Fatal(w.Code)
	}
	var doc map[string]any
	if err := yaml.Unmarshal(w.Body.Bytes(), &doc); err != nil {
		t.Fatal(err)
	}
	b, err := json.Marshal(doc) // as JSON has it: numbers and keys of one kind
	if err != nil {
		t.Fatal(err)
	}
	plain, err := jsonschema.UnmarshalJSON(strings.NewReader(string(b)))
	if err != nil {
		t.Fatal(err)
	}
	d := described{paths: map[string]map[string]any{}, compiler: jsonschema.NewCompiler()}
	d.compiler.AssertFormat()
	if err := d.compiler.AddResource(descriptionURL, plain); err != nil {
		t.Fatal(err)
	}
	for path, methods := range plain.(map[string]any)["paths"].(map[string]any) {
		d.paths[path] = methods.(map[string]any)
	}
	return d
}

// check validates an answer against the description of its path, method and status.
func (d described) check(t *testing.T, method, path, status string, body []byte) {
	t.Helper()
	at := descriptionURL + "#/paths/" + strings.NewReplacer("~", "~0", "/", "~1").Replace(path) + "/" + strings.ToLower(method) + "/responses/" + status
	operation := d.paths[path][strings.ToLower(method)].(map[string]any)
	response, ok := operation["responses"].(map[string]any)[status].(map[string]any)
	if !ok {
		t.Errorf("%s %s: the description has no answer %s", method, path, status)
		return
	}
	if response["$ref"] != nil {
		at = descriptionURL + "#/components/responses/Failure"
	}
	schema, err := d.compiler.Compile(at + "/content/application~1json/schema")
	if err != nil {
		t.Errorf("%s %s: %v", method, path, err)
		return
	}
	v, err := jsonschema.UnmarshalJSON(strings.NewReader(string(body)))
	if err == nil {
		err = schema.Validate(v)
	}
	if err != nil {
		t.Errorf("%s %s answers %.300s\n%v", method, path, body, err)
	}
}

// Every path of the API is described, nothing else is, and real answers are as described.
func TestDescription(t *testing.T) {
	p := newPlant(t, "Northquay")
	caps := p.night(t)
	p.now = morning
	o := p.options()
	h := web.New(o)
	d := description(t, h)

	has := map[string]bool{}
	for _, pattern := range web.Answers(o) {
		method, path, ok := strings.Cut(pattern, " /api/v1")
		if !ok && pattern == "/api/" {
			continue // what isn't there
		}
		if !ok {
			method, path, _ = strings.Cut(pattern, " ")
		}
		path = strings.Replace(path, "{prefix}", "{id}", 1)
		has[method+" "+path] = true
		if d.paths[path] == nil || d.paths[path][strings.ToLower(method)] == nil {
			t.Errorf("%s is not described", pattern)
		}
	}
	for path, methods := range d.paths {
		for method := range methods {
			if method == "servers" {
				continue
			}
			if !has[strings.ToUpper(method)+" "+path] {
				t.Errorf("%s %s is described, and there is none", method, path)
			}
		}
	}

	id := string(caps[0].ID)
	if err := p.store.Remark(context.Background(), caps[0].ID, capture.Note{Text: "worn", By: "technician"}, []string{"night"}, nil); err != nil {
		t.Fatal(err)
	}
	if err := p.store.AddRepair(context.Background(), capture.Repair{Drive: "elevator", At: evening.Add(-time.Hour), Note: "greased"}); err != nil {
		t.Fatal(err)
	}
	if err := p.store.SetAside(context.Background(), "control-room", 1, "answered 404"); err != nil {
		t.Fatal(err)
	}
	quiet := `{"drives":["elevator"],"from":"2026-11-25T05:00:00Z","to":"2026-11-25T16:00:00Z","note":"gearbox"}`
	if _, err := p.store.KeepBrief(context.Background(), store.Brief{ID: "brief", Slot: morning, From: evening, To: morning, Headline: "Nothing.", Text: "Nothing.", HTML: "<p>Nothing.</p>", JSON: "{}"}, capture.Alert{ID: "brief"}, nil); err != nil {
		t.Fatal(err)
	}
	repair := `{"drive":"elevator","at":"2026-11-24T12:00:00Z","note":"scraper replaced"}`
	for _, x := range []struct{ method, path, at, body, status string }{
		{"GET", "/status", "", "", "200"}, {"GET", "/drives", "", "", "200"}, {"GET", "/standing", "?since=2026-11-25T03:12:07Z", "", "200"}, {"GET", "/standing", "?since=x", "", "400"}, {"GET", "/brief", "", "", "200"}, {"GET", "/brief", "?id=none", "", "404"}, {"GET", "/captures", "?limit=3", "", "200"}, {"GET", "/captures", "?limit=-1", "", "400"},
		{"GET", "/captures/{id}", "/captures/" + id, "", "200"}, {"GET", "/captures/{id}", "/captures/" + string(caps[1].ID), "", "200"},
		{"GET", "/captures/{id}", "/captures/1999", "", "404"}, {"GET", "/captures/{id}", "/captures/20261125", "", "409"},
		{"GET", "/findings/{id}", "/findings/" + id, "", "200"}, {"POST", "/findings/{id}", "/findings/" + id, "", "200"}, {"GET", "/findings/{id}", "/findings/1999", "", "404"},
		{"GET", "/recurrences", "", "", "200"}, {"GET", "/recurrences", "?zone=Atlantis", "", "400"}, {"GET", "/misses", "", "", "200"}, {"GET", "/spells", "", "", "200"},
		{"GET", "/ledger", "", "", "200"}, {"GET", "/coverage", "", "", "200"}, {"GET", "/marks", "?id=" + id, "", "200"}, {"GET", "/repairs", "", "", "200"},
		{"POST", "/repairs", "", repair, "200"}, {"POST", "/repairs", "", "{}", "400"}, {"DELETE", "/repairs", "", repair, "200"}, {"DELETE", "/repairs", "", repair, "404"},
		{"GET", "/alarms", "", "", "200"}, {"POST", "/alarms", "", `{"keys":["trip/elevator/2311"],"by":"anna"}`, "200"}, {"POST", "/alarms", "", `{"keys":["x"]}`, "404"}, {"POST", "/alarms", "", `{"keys":[]}`, "400"},
		{"POST", "/quiets", "", quiet, "200"}, {"POST", "/quiets", "", `{"from":"2026-11-25T05:00:00Z"}`, "400"}, {"POST", "/quiets", "", "x", "400"}, {"GET", "/quiets", "", "", "200"},
		{"DELETE", "/quiets/{id}", "/quiets/1", "", "200"}, {"DELETE", "/quiets/{id}", "/quiets/1", "", "404"}, {"GET", "/outbox", "", "", "200"},
		{"POST", "/outbox", "", `{"sink":"control-room","seq":1}`, "200"}, {"POST", "/outbox", "", `{"sink":"control-room","seq":1}`, "404"}, {"DELETE", "/outbox", "", `{"sink":"control-room","seq":1}`, "404"}, {"DELETE", "/outbox", "", `{}`, "404"},
		{"POST", "/mark", "", `{"ids":["` + id + `"],"pinned":true,"note":"n"}`, "200"}, {"POST", "/mark", "", `{"ids":["1999"],"pinned":true}`, "404"}, {"POST", "/mark", "", `[]`, "400"},
	} {
		at := x.at
		if !strings.HasPrefix(at, "/") {
			at = x.path + at
		}
		if _, err := url.Parse(at); err != nil {
			t.Fatal(err)
		}
		w := ask(t, h, x.method, "/api/v1"+at, x.body, "Authorization", token)
		if got := w.Result().Status[:3]; got != x.status {
			t.Errorf("%s %s answers %s: %s", x.method, at, got, w.Body)
			continue
		}
		d.check(t, x.method, x.path, x.status, w.Body.Bytes())
	}
	w := ask(t, h, "GET", "/api/v1/status", "")
	d.check(t, "GET", "/status", "401", w.Body.Bytes())
}

// The validator does find what isn't as described.
func TestDescriptionIsStrict(t *testing.T) {
	p := newPlant(t, "Northquay")
	p.night(t)
	d := description(t, web.New(p.options()))
	schema, err := d.compiler.Compile(descriptionURL + "#/components/schemas/Status")
	if err != nil {
		t.Fatal(err)
	}
	for _, bad := range []string{`{}`, `{"version":"1","now":"noon","drives":1,"watched":1,"alerts":{"raised":0,"accepted":0,"waiting":0}}`,
		`{"version":"1","now":"2026-11-25T03:12:07Z","drives":1,"watched":1,"alerts":{"raised":0,"accepted":0,"waiting":0},"more":1}`} {
		v, err := jsonschema.UnmarshalJSON(strings.NewReader(bad))
		if err != nil {
			t.Fatal(err)
		}
		if schema.Validate(v) == nil {
			t.Errorf("%s passes", bad)
		}
	}
}
