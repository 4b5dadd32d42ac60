// Package store keeps recordings so that a power cut can't take them. One bbolt
// file holds drafts (recordings still being pulled), captures with their
// original bytes, the ledger of what was watched, missed and written, and the
// outbox of alerts that their sinks haven't accepted yet.
//
// What always holds:
//
//   - A write is durable when its method returns nil: committed and synced.
//     Keep has also read the capture back.
//   - A capture's chunks never overlap and never came from two recordings:
//     bytes that contradict stored ones are refused.
//   - Chunks carry a CRC-32C over their bytes and their place, captures a
//     SHA-256 over their parts, every other value a CRC-32C. What doesn't
//     match is an error, never data.
//   - A write is atomic: a capture is there with its index, ledger and outbox
//     entries, or not at all.
//   - Writes are idempotent; doing one again after an error does no harm.
//   - A damaged file never panics and never stops the watching: it is set
//     aside when the store is opened for writing.
//
// A Store is safe for concurrent use. Reads are short and copy values out.
// Once a write has begun, ending its context doesn't stop it: what is in hand
// is made durable.
package store

import (
	"context"
	"log/slog"
	"os"
	"sync"
	"sync/atomic"
	"time"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

// Options say where the store is and what it should do.
type Options struct {
	Path     string        // the store's file; its folder must be there
	ReadOnly bool          // change nothing, not even a damaged file
	Existing bool          // for maintenance: refuse where there is no store or a damaged one; nothing is being watched
	Wait     time.Duration // longest wait for another process to let go of the file; default 2 s
	Log      *slog.Logger  // nil: none
	Site     string        // goes into captures and alerts that have none

	// Announce says which sinks must hear of an alert, and how. It is asked just
	// before the transaction that commits the alert; nil: nobody.
	Announce func(capture.Alert) []capture.Delivery

	// Await is how long an alert about a capture waits for what the analyses
	// find, so that it can tell what moved first; 0: not at all.
	Await time.Duration
	Now   func() time.Time // nil: time.Now
}

// Store is an open store.
type Store struct {
	opt    Options
	log    *slog.Logger
	nudge  chan struct{}
	commit func(*bolt.Tx) error // what commits; tests put failures here

	writing sync.Mutex // one write at a time, from Begin to the verdict

	mu       sync.RWMutex // held for reading during every transaction, for writing while the file is exchanged
	db       *bolt.DB     // nil when closed or when opening again failed
	file     *os.File     // the handle inside db, to let go of the lock if db can't be closed
	poisoned bool         // a transaction died holding bbolt's locks; db can't be closed
	closed   bool
	opened   bool // the file was opened once
	epoch    int  // counts the files that took this store's path
	damaged  []Damaged
	told     int // of damaged: how many the outbox knows

	reserving  atomic.Bool
	telling    atomic.Bool // of damage
	background sync.WaitGroup

	draftsMu sync.Mutex
	drafts   map[capture.ID]*Draft

	lastMu sync.Mutex
	last   lasts

	diskStage atomic.Int32 // the Stage that holds
	toldStage Stage        // the one that the ledger knows. Under upkeep
	pinched   chan struct{}
	upkeep    sync.Mutex

	mostWaiting  int  // messages for one sink; 0: as usual. Set by tests
	closedRename bool // rename files only when closed, as on Windows; set by tests

	long    chan struct{}       // held while Verify, Compact or Backup runs: one at a time
	touched map[capture.ID]bool // captures and drafts changed while a copy is made; nil: none is. Under writing

	watchMu sync.Mutex
	watch   map[string]watch
	beat    beat
	alive   bool // something was watched since Open

	quietMu sync.Mutex
	quiet   []capture.Quiet // those that aren't over
}

// Damaged tells of a file that was found damaged and set aside.
type Damaged struct {
	Time time.Time
	Path string // where the damaged file is now; empty where it is gone
	Why  string
}

// Open opens the store, or makes a new one where there is none. A damaged
// file is set aside under a name with the time, a fresh store takes its place,
// and an alert about it waits in the outbox; Damaged tells.
// The error is an *Error that says what to do.
func Open(ctx context.Context, opt Options) (*Store, error) {
	if opt.Wait <= 0 {
		opt.Wait = 2 * time.Second
	}
	if opt.Log == nil {
		opt.Log = slog.New(slog.DiscardHandler)
	}
	if opt.Now == nil {
		opt.Now = time.Now
	}
	if opt.Announce == nil {
		opt.Announce = func(capture.Alert) []capture.Delivery { return nil }
	}
	s := &Store{
		opt:    opt,
		log:    opt.Log,
		nudge:  make(chan struct{}, 1),
		commit: (*bolt.Tx).Commit,
		drafts: map[capture.ID]*Draft{},
		watch:  map[string]watch{},

		pinched: make(chan struct{}, 1),
		long:    make(chan struct{}, 1),
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if err := s.open(); err != nil {
		return nil, err
	}
	if err := s.start(); err != nil {
		s.mu.Lock()
		_ = s.release()
		s.mu.Unlock()
		return nil, err
	}
	return s, nil
}

// start reads what is kept in memory and settles what ended with the last run.
func (s *Store) start() error {
	if err := s.loadWatch(); err != nil {
		return err
	}
	if err := s.loadStage(); err != nil {
		return err
	}
	if err := s.loadQuiet(); err != nil {
		return err
	}
	if s.opt.ReadOnly {
		return nil
	}
	if err := s.raiseDamage(); err != nil {
		return err
	}
	if s.opt.Existing {
		return nil
	}
	s.topUp()
	return s.tellGap()
}

// Path is the store's file.
func (s *Store) Path() string { return s.opt.Path }

// Damaged lists the files that were set aside since Open, oldest first.
func (s *Store) Damaged() []Damaged {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return append([]Damaged(nil), s.damaged...)
}

// Close notes until when was watched, waits for running transactions and lets go of the file.
func (s *Store) Close() error {
	defer s.background.Wait()
	var err error
	if !s.opt.ReadOnly {
		err = s.lastBeat()
	}
	s.writing.Lock()
	defer s.writing.Unlock()
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return nil
	}
	s.closed = true
	if cerr := s.release(); err == nil {
		err = cerr
	}
	s.disown()
	return err
}

func (s *Store) now() time.Time { return s.opt.Now().UTC() }
