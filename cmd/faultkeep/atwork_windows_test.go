package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/windows/svc"

	"faultkeep/daemon/logs"
)

// heard is an event log.
type heard struct{ text []string }

func (h *heard) say(v ...any) error {
	h.text = append(h.text, fmt.Sprint(v...))
	return nil
}
func (h *heard) Info(v ...any) error    { return h.say(v...) }
func (h *heard) Warning(v ...any) error { return h.say(v...) }
func (h *heard) Error(v ...any) error   { return h.say(v...) }

// manage is the service manager as a program sees it.
func manage(t *testing.T, work func(context.Context, logs.Events) error) (asked chan svc.ChangeRequest, states chan svc.Status, events *heard, died, ended chan struct{}) {
	t.Helper()
	asked, states, events, died, ended = make(chan svc.ChangeRequest), make(chan svc.Status, 9), &heard{}, make(chan struct{}), make(chan struct{})
	p := &program{work: work, events: func() logs.Events { return events }, died: func() { close(died) }}
	go func() {
		p.Execute(nil, asked, states)
		close(ended)
	}()
	if s := <-states; s.State != svc.Running || s.Accepts != svc.AcceptStop|svc.AcceptShutdown {
		t.Errorf("%+v", s)
	}
	return asked, states, events, died, ended
}

// A service ends within the five seconds that Windows gives it, also where its
// work hangs, and whether the computer shuts down or somebody stopped it.
func TestServiceStops(t *testing.T) {
	for _, cmd := range []svc.Cmd{svc.Stop, svc.Shutdown} {
		for name, work := range map[string]func(context.Context, logs.Events) error{
			"orderly": func(ctx context.Context, _ logs.Events) error { <-ctx.Done(); return nil },
			"hangs":   func(context.Context, logs.Events) error { select {} },
		} {
			asked, states, _, died, ended := manage(t, work)
			begin := time.Now()
			asked <- svc.ChangeRequest{Cmd: svc.Interrogate, CurrentStatus: svc.Status{State: svc.Running}}
			if s := <-states; s.State != svc.Running {
				t.Errorf("%s: %+v", name, s)
			}
			asked <- svc.ChangeRequest{Cmd: cmd}
			if s := <-states; s.State != svc.StopPending {
				t.Errorf("%s: %+v", name, s)
			}
			<-ended
			if took := time.Since(begin); took > 5*time.Second || name == "orderly" && took > time.Second {
				t.Errorf("%s: %v", name, took)
			}
			select {
			case <-died:
				t.Errorf("%s: the process was ended as if it had failed", name)
			default:
			}
		}
	}
}

// What ends by itself dies, so that Windows starts it again, and says why.
func TestServiceThatFails(t *testing.T) {
	for want, err := range map[string]error{"drives: is missing": errors.New("drives: is missing"), "watching ended by itself": nil} {
		_, _, events, died, _ := manage(t, func(context.Context, logs.Events) error { return err })
		select {
		case <-died:
		case <-time.After(5 * time.Second):
			t.Fatal("it lives")
		}
		if len(events.text) != 1 || !strings.Contains(events.text[0], want) {
			t.Errorf("%q", events.text)
		}
	}
}
