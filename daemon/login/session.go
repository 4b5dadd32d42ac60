package login

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"sync"
	"time"
)

// How long a session lasts: a shift without asking for anything, a week in
// all. NIST SP 800-63B, section 4.1.3, asks for 30 days at most where a
// password is all that is wanted. The two values are ours.
const (
	idleFor     = 8 * time.Hour
	sessionFor  = 7 * 24 * time.Hour
	mostOfUser  = 16 // sessions at once; the one that was silent for the longest goes
	sessionSize = 32 // bytes: 256 bits of chance
)

// sessions are those that last, by the SHA-256 of their ID: what stands in
// memory lets nobody in.
type sessions struct {
	mu  sync.Mutex
	all map[[sha256.Size]byte]*session
}

type session struct {
	user  User
	begun time.Time
	asked time.Time // the last time
}

func (s *session) over(now time.Time) bool {
	return now.Sub(s.begun) >= sessionFor || now.Sub(s.asked) >= idleFor
}

func (s *sessions) begin(u User, now time.Time) (id string) {
	b := make([]byte, sessionSize)
	_, _ = rand.Read(b) // never fails
	id = base64.RawURLEncoding.EncodeToString(b)
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.all == nil {
		s.all = make(map[[sha256.Size]byte]*session)
	}
	own := 0
	var oldest [sha256.Size]byte
	for key, other := range s.all { // a few dozen at most: users are named one by one in the config
		switch {
		case other.over(now):
			delete(s.all, key)
		case other.user.Name == u.Name:
			if own++; own == 1 || other.asked.Before(s.all[oldest].asked) {
				oldest = key
			}
		}
	}
	if own >= mostOfUser {
		delete(s.all, oldest)
	}
	s.all[sha256.Sum256([]byte(id))] = &session{u, now, now}
	return id
}

func (s *sessions) who(id string, asks bool, now time.Time) (User, bool) {
	if id == "" {
		return User{}, false
	}
	key := sha256.Sum256([]byte(id))
	s.mu.Lock()
	defer s.mu.Unlock()
	found, ok := s.all[key]
	if !ok {
		return User{}, false
	}
	if found.over(now) {
		delete(s.all, key)
		return User{}, false
	}
	// A screen on the wall may show the page for long, but it only looks. A
	// technician's page that was left open mustn't stay a technician's.
	if asks || !found.user.MayChange() {
		found.asked = now
	}
	return found.user, true
}

func (s *sessions) end(id string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.all, sha256.Sum256([]byte(id)))
}

// keep ends the sessions of all but those users.
func (s *sessions) keep(same func(User) bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for key, one := range s.all {
		if !same(one.user) {
			delete(s.all, key)
		}
	}
}
