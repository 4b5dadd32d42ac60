package demo

import (
	"context"
	"errors"
	"math/rand/v2"
	"net"
	"time"

	"faultkeep/sources/drivesim"
)

// Plant is a line of simulated drives behind real Modbus TCP servers.
type Plant struct {
	Drives  []*Simulated // in the order of their specs
	servers []*drivesim.Server
}

// Simulated is one drive of a Plant.
type Simulated struct {
	*drivesim.Drive
	Spec      drivesim.Spec
	listens   string // host:port of its server
	Behaviour drivesim.Behaviour
}

// Name is the drive as people call it.
func (s *Simulated) Name() string {
	if s.Spec.Title != "" {
		return s.Spec.Title
	}
	return s.Spec.Name
}

// NewPlant builds the drives and serves them: those with the same Gateway at
// one address, all others at one of their own. listen is asked for each
// address in turn. They run from now on until Close.
func NewPlant(specs []drivesim.Spec, listen func(number int) (net.Listener, error)) (*Plant, error) {
	start := time.Now()
	endpoints := drivesim.Endpoints(specs, start)
	p := &Plant{Drives: make([]*Simulated, len(specs))}
	for i, e := range endpoints {
		l, err := listen(i)
		if err != nil {
			return nil, errors.Join(err, p.Close())
		}
		p.servers = append(p.servers, drivesim.Serve(context.Background(), l, e.Units, e.Behaviour))
		for _, d := range e.Units {
			spec := d.Spec()
			for n := range specs {
				if specs[n].Name == spec.Name {
					p.Drives[n] = &Simulated{Drive: d, Spec: spec, listens: l.Addr().String(), Behaviour: e.Behaviour}
				}
			}
		}
	}
	return p, nil
}

// Rest lets nothing more go wrong by itself; what is under way goes on.
func (p *Plant) Rest(now time.Time) {
	for _, d := range p.Drives {
		d.Rest(now)
	}
}

// Requests is how many requests the servers have seen.
func (p *Plant) Requests() int {
	n := 0
	for _, s := range p.servers {
		n += s.Counts().Requests
	}
	return n
}

// Close ends the servers.
func (p *Plant) Close() error {
	var errs []error
	for _, s := range p.servers {
		errs = append(errs, s.Close())
	}
	return errors.Join(errs...)
}

// Northquay is the line of the grain terminal with its first faults so early
// that something happens within seconds: the drives trip one after the other,
// in an order that the seed decides.
func Northquay(seed uint64) []drivesim.Spec {
	specs := drivesim.Northquay(seed)
	dice := rand.New(rand.NewPCG(seed, 0x6e71))
	at := 700 * time.Millisecond
	for _, i := range dice.Perm(len(specs)) {
		specs[i].Plan.At = []time.Duration{at}
		at += 600*time.Millisecond + time.Duration(dice.Int64N(int64(time.Second)))
	}
	return specs
}
