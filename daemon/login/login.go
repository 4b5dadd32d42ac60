// Package login knows the people who may see the page from other computers:
// their passwords' hashes, their sessions, and how often somebody may guess.
// What it knows of sessions and guesses is in memory and ends with the program.
package login

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"
)

// Role is what somebody may do.
type Role string

// A viewer looks; a technician also reviews, notes, pins and tells of repairs.
const (
	Viewer     Role = "viewer"
	Technician Role = "technician"
)

// Roles are all there are.
var Roles = []Role{Viewer, Technician}

// User is somebody who may log in, as the config has it.
type User struct {
	Name string `yaml:"name"`
	Role Role   `yaml:"role"`
	Hash string `yaml:"hash" json:"-"` // of the password, from `faultkeep password`
}

// MayChange tells whether the user may do more than look.
func (u User) MayChange() bool { return u.Role == Technician }

// longestName of a user, in bytes: it stands in a key of the store.
const longestName = 60

// Check tells everything that is wrong with a user: say gets the key, what is
// wrong with it, and what to do. No text holds any of the hash, for which
// somebody may have taken the password itself.
func (u User) Check(say func(key, text, hint string)) {
	switch odd := func(r rune) bool { return !unicode.IsGraphic(r) }; {
	case u.Name == "":
		say("name", "is missing", "give the name under which this user logs in")
	case len(u.Name) > longestName:
		say("name", fmt.Sprintf("has more than %d characters", longestName), "keep it short")
	case u.Name != strings.TrimSpace(u.Name) || strings.ContainsFunc(u.Name, odd):
		say("name", "begins or ends with a space, or holds a control character", "write letters, digits and hyphens")
	}
	if !slices.Contains(Roles, u.Role) {
		text := fmt.Sprintf("%q is not a role", u.Role)
		if u.Role == "" {
			text = "is missing"
		}
		say("role", text, "write viewer, who only looks, or technician, who also reviews, notes, pins and tells of repairs")
	}
	if u.Hash == "" {
		say("hash", "is missing", "make one with `faultkeep password`")
	} else if _, err := parse(u.Hash); err != nil {
		say("hash", err.Error(), "make one with `faultkeep password` and put it between single quotes; the password itself never stands in the config")
	}
}

// What Login can answer instead of a session.
var (
	// ErrWrong never tells whether it was the name or the password.
	ErrWrong = errors.New("the name or the password isn't right")
	// ErrBusy means that too many people log in at this moment.
	ErrBusy = errors.New("too many people are logging in at this moment")
)

// WaitError refuses to look at a password before a time has passed.
type WaitError struct{ For time.Duration }

func (e *WaitError) Error() string {
	return fmt.Sprintf("after so many wrong passwords the next one is looked at in %s", e.For)
}

// Desk lets people in and out.
type Desk struct {
	users    map[string]user
	decoy    phc // what an unknown name's password is compared with
	sessions *sessions
	guesses  *guesses
	hashing  chan struct{} // a place for each hashing at once
	waiting  chan struct{} // and for each that waits for it
}

type user struct {
	User
	hash phc
}

// A hashing takes 64 MiB, so that one is done after the other: 0.2 s each, which
// nobody minds who waits behind a few.
const (
	mostHashing = 1
	mostWaiting = 8
)

// New makes a desk for users whose Check found nothing wrong.
func New(users []User) (*Desk, error) {
	d := &Desk{users: make(map[string]user), sessions: &sessions{}, guesses: &guesses{}, hashing: make(chan struct{}, mostHashing), waiting: make(chan struct{}, mostWaiting)}
	for _, u := range users {
		hash, err := parse(u.Hash)
		if err != nil {
			return nil, fmt.Errorf("user %s: %w", u.Name, err)
		}
		if _, twice := d.users[u.Name]; twice {
			return nil, fmt.Errorf("two users are called %s", u.Name)
		}
		d.users[u.Name] = user{u, hash}
		// It costs as much as the costliest, so that a name that isn't known
		// takes no less time than one that is.
		if hash.cost() > d.decoy.cost() {
			d.decoy = hash.like()
		}
	}
	if len(d.users) == 0 {
		return nil, errors.New("there are no users")
	}
	return d, nil
}

// With is a desk for other users that takes the place of this one. Sessions of
// users who are the same go on, all others end, and guesses stay counted.
func (d *Desk) With(users []User) (*Desk, error) {
	next, err := New(users)
	if err != nil {
		return nil, err
	}
	next.sessions, next.guesses, next.hashing, next.waiting = d.sessions, d.guesses, d.hashing, d.waiting
	d.sessions.keep(func(u User) bool { return slices.Contains(users, u) })
	return next, nil
}

// longestPassword in bytes; NIST SP 800-63B asks to allow 64 characters or more.
const longestPassword = 1024

// Login compares a name and a password and begins a session, whose ID it
// gives. address is where the request came from, see guesses. Errors are
// ErrWrong, ErrBusy, a *WaitError, or the context's.
func (d *Desk) Login(ctx context.Context, name, password, address string) (id string, err error) {
	u, known := d.users[name]
	// Counted as wrong before it is looked at, so that many at once are no way round.
	attempt, wait := d.guesses.begin(name, known, address, time.Now())
	if wait > 0 {
		return "", &WaitError{wait}
	}
	defer func() {
		if !errors.Is(err, ErrWrong) { // right, or never looked at
			d.guesses.forgive(attempt, err == nil)
		}
	}()
	select {
	case d.waiting <- struct{}{}:
		defer func() { <-d.waiting }()
	default:
		return "", ErrBusy
	}
	select {
	case d.hashing <- struct{}{}:
		defer func() { <-d.hashing }()
	case <-ctx.Done():
		return "", ctx.Err()
	}
	hash := d.decoy
	if known {
		hash = u.hash
	}
	if right := len(password) <= longestPassword && hash.matches(password); !right || !known {
		return "", ErrWrong
	}
	return d.sessions.begin(u.User, time.Now()), nil
}

// Who is the user of a session, as long as it lasts. asks tells whether the
// user asked for something, or a page that stands open did by itself.
func (d *Desk) Who(id string, asks bool) (User, bool) { return d.sessions.who(id, asks, time.Now()) }

// Logout ends a session, if there is one of this ID.
func (d *Desk) Logout(id string) { d.sessions.end(id) }

// Knows tells whether the config has a user of this name. It must not be told
// to whoever isn't logged in.
func (d *Desk) Knows(name string) bool {
	_, known := d.users[name]
	return known
}
