package login

import (
	"net/netip"
	"sync"
	"time"
)

// After a few wrong passwords each further one has to wait, twice as long each
// time: for a name, so that guesses from many addresses are slow, and for an
// address, so that guesses at many names are. Nobody is ever locked out for
// good: the longest wait for a name is a quarter of an hour, and a user doesn't
// wait for others' guesses at an address from which the same user has logged in.
// A quarter of an hour makes fewer than 100 guesses a day; NIST SP 800-63B,
// section 5.2.2, allows 100 in a row.
const (
	freeGuesses  = 5
	firstWait    = time.Second
	longestWait  = 15 * time.Minute
	forgetsAfter = 24 * time.Hour // without a wrong one
	mostGuessers = 4096           // addresses, and names that are no user's, that are remembered
	mostHomes    = 8              // addresses of a user
)

// record is how often somebody guessed wrong.
type record struct {
	wrong int
	last  time.Time
	until time.Time // nothing is looked at before
}

func (r *record) fail(now time.Time) {
	r.wrong++
	r.last = now
	if over := r.wrong - freeGuesses; over >= 0 {
		r.until = now.Add(min(firstWait<<min(over, 20), longestWait))
	}
}

// guesses remembers who guessed wrong.
type guesses struct {
	mu        sync.Mutex
	names     map[string]*record // users' names; as many as there are users
	strangers map[string]*record // other names, which must look no different
	addresses map[string]*record
	homes     map[string][]string // by user: addresses at which the password was right
}

// attempt is one password that is looked at.
type attempt struct {
	name, address string
	counted       []*record
}

// begin counts a password as wrong before it is looked at, or tells how long
// to wait first.
func (g *guesses) begin(name string, known bool, address string, now time.Time) (attempt, time.Duration) {
	a := attempt{name: name, address: network(address)}
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.names == nil {
		g.names, g.strangers, g.addresses = map[string]*record{}, map[string]*record{}, map[string]*record{}
		g.homes = map[string][]string{}
	}
	a.counted = append(a.counted, of(g.addresses, a.address, now))
	switch {
	case !known:
		a.counted = append(a.counted, of(g.strangers, name[:min(len(name), longestName)], now))
	case !g.home(a):
		a.counted = append(a.counted, of(g.names, name, now))
	}
	wait := time.Duration(0)
	for _, r := range a.counted {
		wait = max(wait, r.until.Sub(now))
	}
	if wait > 0 {
		return a, wait
	}
	for _, r := range a.counted {
		r.fail(now)
	}
	return a, 0
}

// forgive takes back what begin counted, and no more: others' guesses, or one's
// own at another's name, stay counted. After a right password the address is a
// home of its user.
func (g *guesses) forgive(a attempt, right bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	for _, r := range a.counted {
		r.wrong = max(r.wrong-1, 0)
		r.until = time.Time{}
	}
	if !right {
		return
	}
	if !g.home(a) {
		homes := append(g.homes[a.name], a.address)
		g.homes[a.name] = homes[max(len(homes)-mostHomes, 0):]
	}
}

func (g *guesses) home(a attempt) bool {
	for _, h := range g.homes[a.name] {
		if h == a.address {
			return true
		}
	}
	return false
}

// of is somebody's record, a new one where there is none. Where there are too
// many, the one that was silent for the longest goes.
func of(all map[string]*record, who string, now time.Time) *record {
	if r, ok := all[who]; ok {
		if now.Sub(r.last) >= forgetsAfter {
			*r = record{}
		}
		return r
	}
	if len(all) >= mostGuessers {
		var oldest string
		for other, r := range all {
			if all[oldest] == nil || r.last.Before(all[oldest].last) {
				oldest = other
			}
		}
		delete(all, oldest)
	}
	r := &record{last: now}
	all[who] = r
	return r
}

// network is whose address it is: of IPv6 the first 64 bits, of which one
// computer can have all the rest.
func network(address string) string {
	host := address
	if at, err := netip.ParseAddrPort(address); err == nil {
		host = at.Addr().String()
	}
	ip, err := netip.ParseAddr(host)
	if err != nil {
		return "elsewhere"
	}
	ip = ip.Unmap().WithZone("")
	if ip.Is6() {
		if p, err := ip.Prefix(64); err == nil {
			return p.String()
		}
	}
	return ip.String()
}
