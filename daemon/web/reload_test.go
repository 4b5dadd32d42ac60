package web_test

import (
	"context"
	"errors"
	"net/http"
	"strings"
	"testing"

	"faultkeep/configs/strict"
	"faultkeep/daemon/web"
	"faultkeep/daemon/web/wire"
)

func TestReload(t *testing.T) {
	p := newPlant(t, "Northquay")
	o := p.options()
	if w := ask(t, web.New(o), "POST", "/api/v1/reload", "", "Authorization", token); w.Code != http.StatusNotImplemented {
		t.Errorf("without a config: %d %s", w.Code, w.Body)
	}
	var done wire.Reloaded
	var failed error
	o.Reload = func(context.Context) (wire.Reloaded, error) { return done, failed }
	h := web.New(o)
	d := description(t, h)
	if w := ask(t, h, "POST", "/api/v1/reload", ""); w.Code != http.StatusUnauthorized {
		t.Errorf("without the token: %d", w.Code)
	}
	done = wire.Reloaded{Config: "/etc/faultkeep/faultkeep.yaml", OK: true, Added: []string{"fan"}}
	w := ask(t, h, "POST", "/api/v1/reload", "", "Authorization", token)
	d.check(t, "POST", "/reload", "200", w.Body.Bytes())
	if w.Code != http.StatusOK || !strings.Contains(w.Body.String(), `"added":["fan"],"removed":[]`) {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	done = wire.Reloaded{Config: "x.yaml", Problems: strict.Problems{{File: "x.yaml", Line: 3, Column: 5, Field: "poll", Text: "is wrong"}}}
	w = ask(t, h, "POST", "/api/v1/reload", "", "Authorization", token)
	d.check(t, "POST", "/reload", "422", w.Body.Bytes())
	if w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), `"line":3,"column":5`) {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	failed = errors.New("the config can't be taken")
	if w = ask(t, h, "POST", "/api/v1/reload", "", "Authorization", token); w.Code != http.StatusInternalServerError {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}
