package demo

import (
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"sync"
	"time"
)

// controlRoom is the name of the sink that posts to the receiver.
const controlRoom = "control-room"

// receiver is a webhook's other side. Now and then it answers 500, so that
// alerts must be told again.
type receiver struct {
	address string
	server  *http.Server

	mu       sync.Mutex
	posts    int
	refused  map[string]bool // alerts that were answered 500; each is once at most
	accepted map[string]int  // how often each alert was taken
}

// refuseEvery is how often the receiver has trouble: every so many posts.
const refuseEvery = 4

func openReceiver() (*receiver, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, fmt.Errorf("the simulated control room finds no port on this computer: %w", err)
	}
	r := &receiver{address: "http://" + l.Addr().String() + "/alerts", refused: map[string]bool{}, accepted: map[string]int{}}
	r.server = &http.Server{Handler: r, ReadHeaderTimeout: 5 * time.Second}
	go func() { _ = r.server.Serve(l) }() // ends with close
	return r, nil
}

func (r *receiver) close() { _ = r.server.Close() }

func (r *receiver) ServeHTTP(w http.ResponseWriter, q *http.Request) {
	var event struct {
		ID string `json:"id"`
	}
	if err := json.NewDecoder(io.LimitReader(q.Body, 1<<20)).Decode(&event); err != nil || event.ID == "" {
		http.Error(w, "not an event", http.StatusBadRequest)
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.posts++
	if r.posts%refuseEvery == 0 && !r.refused[event.ID] {
		r.refused[event.ID] = true
		http.Error(w, "having trouble of its own", http.StatusInternalServerError)
		return
	}
	r.accepted[event.ID]++
	w.WriteHeader(http.StatusNoContent)
}

// counts tells how many alerts were taken, and how many of them only at a
// further try.
func (r *receiver) counts() (accepted, retried int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for id := range r.accepted {
		if r.refused[id] {
			retried++
		}
	}
	return len(r.accepted), retried
}
