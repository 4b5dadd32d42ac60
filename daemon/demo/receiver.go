package demo

import (
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
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
	dice     *rand.Rand
	calm     bool            // it has no trouble any more
	refused  map[string]bool // alerts that were answered 500; each is once at most
	accepted map[string]int  // how often each alert was taken
}

// trouble is the share of alerts that the receiver doesn't take at first.
const trouble = 0.25

func openReceiver(seed uint64) (*receiver, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, fmt.Errorf("the simulated control room finds no port on this computer: %w", err)
	}
	r := &receiver{address: "http://" + l.Addr().String() + "/alerts", dice: rand.New(rand.NewPCG(seed, 500)), refused: map[string]bool{}, accepted: map[string]int{}}
	r.server = &http.Server{Handler: r, ReadHeaderTimeout: 5 * time.Second}
	go func() { _ = r.server.Serve(l) }() // ends with close
	return r, nil
}

func (r *receiver) close() { _ = r.server.Close() }

// behave ends the receiver's trouble.
func (r *receiver) behave() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.calm = true
}

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
	if _, known := r.accepted[event.ID]; !known && !r.refused[event.ID] && !r.calm && r.dice.Float64() < trouble {
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
