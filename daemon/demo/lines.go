package demo

import (
	"io"
	"sync"
)

// lines writes in the background, in order, so that a screen that is held back
// or a slow disk never holds up the watching.
type lines struct {
	out  io.Writer
	done chan struct{}

	mu      sync.Mutex
	wake    *sync.Cond
	waiting []string
	closed  bool
}

func newLines(out io.Writer) *lines {
	l := &lines{out: out, done: make(chan struct{})}
	l.wake = sync.NewCond(&l.mu)
	go l.run()
	return l
}

func (l *lines) add(line string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.waiting = append(l.waiting, line)
	l.wake.Signal()
}

func (l *lines) run() {
	defer close(l.done)
	for {
		l.mu.Lock()
		for len(l.waiting) == 0 && !l.closed {
			l.wake.Wait()
		}
		now := l.waiting
		l.waiting = nil
		l.mu.Unlock()
		if len(now) == 0 {
			return
		}
		for _, line := range now {
			_, _ = l.out.Write([]byte(line))
		}
	}
}

// close returns when everything is written.
func (l *lines) close() {
	l.mu.Lock()
	l.closed = true
	l.wake.Signal()
	l.mu.Unlock()
	<-l.done
}
