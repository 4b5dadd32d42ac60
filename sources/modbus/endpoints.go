package modbus

import (
	"errors"
	"reflect"
	"slices"
	"time"

	"faultkeep/sources/modbus/link"
	"faultkeep/sources/modbus/regmap"
)

// Plant is a set of drives with the endpoints that they share.
type Plant struct {
	Drives    []*Drive
	endpoints map[string]*shared // by address
}

// shared is one endpoint with what it was made of.
type shared struct {
	limits
	*link.Endpoint
}

// limits of an endpoint are the widest that one of its drives asks for.
type limits struct {
	connections int
	timeout     time.Duration
	gap         time.Duration
	files       bool
}

// Connect makes the drives, those with the same address behind one Endpoint.
// Nothing is sent yet. Options that bring their own Endpoint keep it.
func Connect(drives []Options) *Plant { return (&Plant{}).Next(drives) }

// Next is the plant as it is with these drives. A drive of the same options
// behind an endpoint with the same limits is the same Drive, so that it can go
// on undisturbed. Nothing is sent, and nothing is closed: see Leave.
func (p *Plant) Next(drives []Options) *Plant {
	wanted := map[string]limits{}
	for _, o := range drives {
		if o.Endpoint == nil {
			wanted[o.Config.Address] = wanted[o.Config.Address].with(o)
		}
	}
	next := &Plant{endpoints: map[string]*shared{}}
	for address, l := range wanted {
		if have := p.endpoints[address]; have != nil && have.limits == l {
			next.endpoints[address] = have
			continue
		}
		// The library has no function code 20, and a drive may take only one
		// connection: so where file records are read, our own client does it all.
		dial := link.DialTCP
		if l.files {
			dial = link.DialRaw
		}
		next.endpoints[address] = &shared{l, link.NewEndpoint(address, dial(address, l.timeout), l.connections, l.gap)}
	}
	for _, o := range drives {
		if o.Endpoint == nil {
			o.Endpoint = next.endpoints[o.Config.Address].Endpoint
		}
		i := slices.IndexFunc(p.Drives, func(d *Drive) bool { return d.madeOf(o) })
		if i >= 0 {
			next.Drives = append(next.Drives, p.Drives[i])
		} else {
			next.Drives = append(next.Drives, New(o))
		}
	}
	return next
}

func (l limits) with(o Options) limits {
	l.connections = max(l.connections, New(o).connections())
	l.timeout = max(l.timeout, o.Config.AnswerWithin())
	l.gap = max(l.gap, o.Map.Limits.Gap)
	l.files = l.files || o.Map.Data.Layout == regmap.FileRecords
	return l
}

// madeOf tells whether New would make the same drive of o. A map or table that
// was read again is the same if it says the same.
func (d *Drive) madeOf(o Options) bool {
	return d.Endpoint == o.Endpoint && d.Site == o.Site && d.Map.Hash == o.Map.Hash &&
		reflect.DeepEqual(d.Config, o.Config) && reflect.DeepEqual(d.Faults, o.Faults)
}

// Leave closes the connections that the next plant doesn't have. Nothing that
// uses them may be watched any more.
func (p *Plant) Leave(next *Plant) error {
	var errs []error
	for address, e := range p.endpoints {
		if next.endpoints[address] != e {
			errs = append(errs, e.Close())
		}
	}
	return errors.Join(errs...)
}

// Close closes the connections to all drives.
func (p *Plant) Close() error { return p.Leave(&Plant{}) }
