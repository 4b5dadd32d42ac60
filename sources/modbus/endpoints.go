package modbus

import (
	"errors"
	"time"

	"faultkeep/sources/modbus/link"
	"faultkeep/sources/modbus/regmap"
)

// Plant is a set of drives with the endpoints that they share.
type Plant struct {
	Drives    []*Drive
	endpoints []*link.Endpoint
}

// Connect makes the drives, those with the same address behind one Endpoint.
// Nothing is sent yet. Options that bring their own Endpoint keep it.
func Connect(drives []Options) *Plant {
	type shared struct {
		connections int
		timeout     time.Duration
		gap         time.Duration
		files       bool
	}
	plans := map[string]*shared{}
	for _, o := range drives {
		if o.Endpoint != nil {
			continue
		}
		s := plans[o.Config.Address]
		if s == nil {
			s = &shared{}
			plans[o.Config.Address] = s
		}
		s.connections = max(s.connections, New(o).connections())
		s.timeout = max(s.timeout, o.Config.AnswerWithin())
		s.gap = max(s.gap, o.Map.Limits.Gap)
		s.files = s.files || o.Map.Data.Layout == regmap.FileRecords
	}
	p := &Plant{}
	endpoints := map[string]*link.Endpoint{}
	for address, s := range plans {
		// The library has no function code 20, and a drive may take only one
		// connection: so where file records are read, our own client does it all.
		dial := link.DialTCP
		if s.files {
			dial = link.DialRaw
		}
		e := link.NewEndpoint(address, dial(address, s.timeout), s.connections, s.gap)
		endpoints[address] = e
		p.endpoints = append(p.endpoints, e)
	}
	for _, o := range drives {
		if o.Endpoint == nil {
			o.Endpoint = endpoints[o.Config.Address]
		}
		p.Drives = append(p.Drives, New(o))
	}
	return p
}

// Close closes the connections to all drives.
func (p *Plant) Close() error {
	var errs []error
	for _, e := range p.endpoints {
		errs = append(errs, e.Close())
	}
	return errors.Join(errs...)
}
