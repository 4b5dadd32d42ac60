package login_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"faultkeep/daemon/login"
)

// Hashes that cost next to nothing, made with Debian's `argon2` (0~20171227):
//
//	echo -n 'the long way home' | argon2 saltsalt -id -v 13 -k 8 -t 1 -p 1 -l 16 -e
//	echo -n 'a quiet night shift' | argon2 saltsalt -id -v 13 -k 8 -t 1 -p 1 -l 16 -e
const (
	annasPassword = "the long way home"
	ottosPassword = "a quiet night shift"
	annasHash     = "$argon2id$v=19$m=8,t=1,p=1$c2FsdHNhbHQ$4qoCcNCmUb80wGmnWfpPeg"
	ottosHash     = "$argon2id$v=19$m=8,t=1,p=1$c2FsdHNhbHQ$NamJHM2/l0ks2xh7NWyeWw"
)

var people = []login.User{{Name: "anna", Role: login.Technician, Hash: annasHash}, {Name: "otto", Role: login.Viewer, Hash: ottosHash}}

const here, there = "192.0.2.7:50123", "198.51.100.9:4000"

func newDesk(t *testing.T) *login.Desk {
	t.Helper()
	for _, u := range people {
		u.Check(func(key, text, _ string) { t.Errorf("%s: %s %s", u.Name, key, text) })
	}
	d, err := login.New(people)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// in logs in and wants that to work.
func in(t *testing.T, d *login.Desk, name, password, address string) string {
	t.Helper()
	id, err := d.Login(t.Context(), name, password, address)
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return id
}

func TestInAndOut(t *testing.T) {
	d := newDesk(t)
	id := in(t, d, "anna", annasPassword, here)
	if u, ok := d.Who(id, true); !ok || u.Name != "anna" || !u.MayChange() {
		t.Errorf("%+v, %v", u, ok)
	}
	other := in(t, d, "otto", ottosPassword, here)
	if u, ok := d.Who(other, true); !ok || u.Name != "otto" || u.MayChange() {
		t.Errorf("%+v, %v", u, ok)
	}
	if id == other || len(id) < 43 { // 256 bits in base64
		t.Errorf("sessions %q and %q", id, other)
	}
	d.Logout(id)
	if _, ok := d.Who(id, true); ok {
		t.Error("a session lasts beyond its end")
	}
	if _, ok := d.Who(other, true); !ok {
		t.Error("a session ended with another's")
	}
	for _, strange := range []string{"", "x", id + "x", strings.Repeat("x", 1<<16)} {
		if _, ok := d.Who(strange, true); ok {
			t.Errorf("%.20q is a session", strange)
		}
	}
	for name, password := range map[string]string{"anna": ottosPassword, "otto": "", "Anna": annasPassword, "nobody": annasPassword, "": "",
		"anna ": annasPassword} {
		if id, err := d.Login(t.Context(), name, password, there+name); !errors.Is(err, login.ErrWrong) || id != "" {
			t.Errorf("%q with %q: %q, %v", name, password, id, err)
		}
	}
	if _, err := d.Login(t.Context(), "anna", annasPassword+strings.Repeat(" ", 1<<20), "203.0.113.1:1"); !errors.Is(err, login.ErrWrong) {
		t.Errorf("a huge password: %v", err)
	}
}

// A session ends eight hours after its user last asked for something, and a
// week after its beginning whatever its user does.
func TestSessionsExpire(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDesk(t)
		id := in(t, d, "anna", annasPassword, here)
		begun := time.Now()
		for time.Since(begun) < 7*24*time.Hour-time.Hour {
			time.Sleep(7 * time.Hour)
			if _, ok := d.Who(id, true); !ok && time.Since(begun) < 7*24*time.Hour {
				t.Fatalf("ended after %v", time.Since(begun))
			}
		}
		time.Sleep(time.Until(begun.Add(7 * 24 * time.Hour)))
		if _, ok := d.Who(id, true); ok {
			t.Error("lasts longer than a week")
		}

		technician, viewer := in(t, d, "anna", annasPassword, here), in(t, d, "otto", ottosPassword, here)
		for range 8 { // pages that stand open ask by themselves
			time.Sleep(59 * time.Minute)
			_, anna := d.Who(technician, false)
			_, otto := d.Who(viewer, false)
			if !anna || !otto {
				t.Fatal("ended within eight hours")
			}
		}
		time.Sleep(8 * time.Minute)
		if _, ok := d.Who(technician, false); ok {
			t.Error("a page that was left open stays a technician's")
		}
		if _, ok := d.Who(viewer, false); !ok {
			t.Error("a screen on the wall was logged out")
		}
	})
}

// Of a user's many sessions the one that was silent for the longest ends.
func TestSessionsAreBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDesk(t)
		others := in(t, d, "otto", ottosPassword, here)
		var ids []string
		for range 17 {
			time.Sleep(time.Second)
			if len(ids) == 16 {
				d.Who(ids[0], true)
			}
			ids = append(ids, in(t, d, "anna", annasPassword, here))
		}
		for i, id := range append(ids, others) {
			if _, ok := d.Who(id, true); ok == (i == 1) {
				t.Errorf("session %d: %v", i, ok)
			}
		}
	})
}

// guess tries wrong passwords for a time and counts those that were looked at.
func guess(t *testing.T, d *login.Desk, every, long time.Duration, who func(i int) (name, address string)) (looked int) {
	t.Helper()
	for end, i := time.Now().Add(long), 0; time.Now().Before(end); i++ {
		name, address := who(i)
		_, err := d.Login(t.Context(), name, "guess", address)
		var wait *login.WaitError
		switch {
		case errors.Is(err, login.ErrWrong):
			looked++
		case !errors.As(err, &wait) || wait.For <= 0 || wait.For > 15*time.Minute:
			t.Fatal(err)
		}
		time.Sleep(every)
	}
	return looked
}

// Whoever guesses without a pause for a day gets to 5 free guesses, then waits of
// 1, 2, 4 … 512 s, then 900 s: 5 + 10 + (86,400 − 1,023)/900 = 109. The same for
// a name from ever new addresses, and for ever new names from one address. Names
// that are no user's look no different. NIST SP 800-63B, section 5.2.2, allows
// 100 in a row.
func TestGuessingIsSlow(t *testing.T) {
	for name, who := range map[string]func(i int) (string, string){
		"one name, one address":     func(int) (string, string) { return "anna", here },
		"one name, many addresses":  func(i int) (string, string) { return "anna", address(i) },
		"many names, one address":   func(i int) (string, string) { return address(i), here },
		"no user's, many addresses": func(i int) (string, string) { return "nobody", address(i) },
		"one IPv6 network":          func(i int) (string, string) { return address(i), fmt.Sprintf("[2001:db8:1:2::%x]:99", i+1) },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				d := newDesk(t)
				if looked := guess(t, d, time.Minute, 24*time.Hour, who); looked < 80 || looked > 112 {
					t.Errorf("%d guesses were looked at in a day", looked)
				}
			})
		})
	}
}

// address is another one for every i.
func address(i int) string { return fmt.Sprintf("10.%d.%d.%d:1000", i>>16&255, i>>8&255, i&255) }

func TestNobodyIsLockedOutForGood(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDesk(t)
		in(t, d, "anna", annasPassword, here) // this morning, at her own computer
		guess(t, d, time.Second, time.Hour, func(int) (string, string) { return "anna", there })
		in(t, d, "anna", annasPassword, here)
		in(t, d, "otto", ottosPassword, here)
		// At a computer that was never hers she waits, but a quarter of an hour at most.
		var wait *login.WaitError
		if _, err := d.Login(t.Context(), "anna", annasPassword, "203.0.113.8:1"); err != nil && !errors.As(err, &wait) {
			t.Fatal(err)
		}
		time.Sleep(15 * time.Minute)
		in(t, d, "anna", annasPassword, "203.0.113.8:1")
		// Whom a right password let in may mistype again.
		for range 4 {
			if _, err := d.Login(t.Context(), "anna", "mistyped", "203.0.113.8:1"); !errors.Is(err, login.ErrWrong) {
				t.Fatal(err)
			}
		}
		in(t, d, "anna", annasPassword, "203.0.113.8:1")
	})
}

// Somebody with a password of his own gets no more guesses at others' by it.
func TestOwnPasswordForgivesNoGuesses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDesk(t)
		looked := 0
		for i, end := 0, time.Now().Add(time.Hour); time.Now().Before(end); time.Sleep(time.Second) {
			if _, err := d.Login(t.Context(), fmt.Sprint("name ", i), "guess", there); errors.Is(err, login.ErrWrong) {
				looked++
			}
			i++
			_, _ = d.Login(t.Context(), "otto", ottosPassword, there)
		}
		if looked > 30 {
			t.Errorf("%d guesses in an hour", looked)
		}
	})
}

// Many guesses at once are no way round: each counts before it is looked at.
func TestGuessesAtOnce(t *testing.T) {
	d := newDesk(t)
	var all sync.WaitGroup
	var mu sync.Mutex
	looked := 0
	for range 200 {
		all.Go(func() {
			if _, err := d.Login(context.Background(), "anna", "guess", here); errors.Is(err, login.ErrWrong) {
				mu.Lock()
				looked++
				mu.Unlock()
			}
		})
	}
	all.Wait()
	if looked > 6 {
		t.Errorf("%d of 200 guesses at once were looked at", looked)
	}
}

// A name that isn't known is looked at as long as one that is.
func TestUnknownNamesTakeAsLong(t *testing.T) {
	const costly = "$argon2id$v=19$m=16384,t=2,p=1$c2FsdHNhbHQ$4qoCcNCmUb80wGmnWfpPeg"
	d, err := login.New([]login.User{{Name: "anna", Role: login.Technician, Hash: costly}, people[1]})
	if err != nil {
		t.Fatal(err)
	}
	least := map[string]time.Duration{"anna": time.Hour, "nobody": time.Hour}
	for i := range 8 {
		name := []string{"anna", "nobody"}[i%2]
		begun := time.Now()
		if _, err := d.Login(t.Context(), name, "guess", address(i)); !errors.Is(err, login.ErrWrong) {
			t.Fatal(err)
		}
		least[name] = min(least[name], time.Since(begun))
	}
	if least["nobody"] < least["anna"]/2 || least["nobody"] > least["anna"]*2 {
		t.Errorf("%v", least)
	}
}

// One hashing at a time bounds the memory; a few wait for it, the rest are
// told so, which costs them no guess.
func TestTooManyAtOnce(t *testing.T) {
	d := newDesk(t)
	leave := d.Crowd()
	for range 20 {
		if _, err := d.Login(t.Context(), "anna", annasPassword, here); !errors.Is(err, login.ErrBusy) {
			t.Fatal(err)
		}
	}
	leave()
	in(t, d, "anna", annasPassword, here)

	leave = d.Hash()
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Millisecond)
	defer cancel()
	if _, err := d.Login(ctx, "anna", annasPassword, here); !errors.Is(err, context.DeadlineExceeded) {
		t.Error(err)
	}
	leave()
	in(t, d, "anna", annasPassword, here)
}
