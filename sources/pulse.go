package sources

import (
	"sync"
	"time"
)

// Pulse is how a watch shows that it goes on. The watch beats it at every step,
// and says with each beat how long the next step may take at most: so a watch
// that waits for a drive that doesn't answer goes on, and one that hangs is late.
type Pulse struct {
	mu  sync.Mutex
	due time.Time // by the monotonic clock
	n   uint64    // beats so far
}

// Beat promises the next beat within the given time.
func (p *Pulse) Beat(within time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.due = time.Now().Add(within)
	p.n++
}

// Beats is how many there were.
func (p *Pulse) Beats() uint64 {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.n
}

// Late is by how much a beat is overdue; 0: it isn't, or nothing was promised.
func (p *Pulse) Late() time.Duration {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.due.IsZero() {
		return 0
	}
	return max(0, time.Since(p.due))
}
