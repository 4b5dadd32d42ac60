package link

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log"
	"net"
	"sync"
	"time"

	"github.com/simonvetter/modbus"

	"faultkeep/sources/modbus/regmap"
)

// DialTCP opens links by simonvetter/modbus: function codes 1–6 and 16.
// timeout bounds dialling, and each request. A request under way isn't cut
// short by its context; the timeout bounds it.
func DialTCP(address string, timeout time.Duration) Dial {
	d := &dialler{address: address, timeout: timeout}
	return d.dial
}

// dialler bounds the library's dialling, which knows neither context nor our
// timeout. An attempt that outlives its caller is taken over by the next one
// instead of making a second: many drives accept a single connection.
type dialler struct {
	address string
	timeout time.Duration
	mu      sync.Mutex
	orphans []*attempt // given up by their callers and still under way
}

type attempt struct {
	client *modbus.ModbusClient
	done   chan struct{} // closed when err is set
	err    error
	orphan bool // nobody waits for it; guarded by dialler.mu
}

func (d *dialler) dial(ctx context.Context) (Link, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	a, err := d.attempt()
	if err != nil {
		return nil, err
	}
	timer := time.NewTimer(d.timeout)
	defer timer.Stop()
	select {
	case <-a.done:
	case <-ctx.Done():
		err = ctx.Err()
	case <-timer.C:
		err = &net.OpError{Op: "dial", Net: "tcp", Err: errSilent}
	}
	if err != nil && d.abandon(a) {
		return nil, err
	}
	if a.err != nil {
		return nil, a.err
	}
	return &tcp{client: a.client, unit: -1}, nil
}

func (d *dialler) attempt() (*attempt, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if n := len(d.orphans); n > 0 {
		a := d.orphans[n-1]
		d.orphans = d.orphans[:n-1]
		a.orphan = false
		return a, nil
	}
	client, err := modbus.NewClient(&modbus.ClientConfiguration{
		URL: "tcp://" + d.address, Timeout: d.timeout, Logger: log.New(io.Discard, "", 0)})
	if err != nil {
		return nil, err
	}
	a := &attempt{client: client, done: make(chan struct{})}
	go func() {
		err := client.Open() // 5 s at most
		d.mu.Lock()
		defer d.mu.Unlock()
		a.err = err
		close(a.done)
		if a.orphan {
			for i := range d.orphans {
				if d.orphans[i] == a {
					d.orphans = append(d.orphans[:i], d.orphans[i+1:]...)
					break
				}
			}
			if err == nil {
				client.Close()
			}
		}
	}()
	return a, nil
}

// abandon is false where the attempt came to its end after all.
func (d *dialler) abandon(a *attempt) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	select {
	case <-a.done:
		return false
	default:
		a.orphan = true
		d.orphans = append(d.orphans, a)
		return true
	}
}

type tcp struct {
	client *modbus.ModbusClient
	unit   int // the client's unit; −1: not set yet
	failed bool
}

func (c *tcp) Close() error {
	c.failed = true
	return c.client.Close()
}

func (c *tcp) Read(ctx context.Context, unit uint8, r regmap.Read) ([]byte, error) {
	if err := checkRead(r); err != nil {
		return nil, err
	}
	if err := c.begin(ctx, unit); err != nil {
		return nil, err
	}
	var out []byte
	var bits []bool
	var err error
	want := 2 * int(r.Count)
	switch r.Table {
	case regmap.Holding:
		out, err = c.client.ReadRawBytes(r.Address, 2*r.Count, modbus.HOLDING_REGISTER)
	case regmap.Input:
		out, err = c.client.ReadRawBytes(r.Address, 2*r.Count, modbus.INPUT_REGISTER)
	case regmap.Coil:
		bits, err = c.client.ReadCoils(r.Address, r.Count)
	case regmap.Discrete:
		bits, err = c.client.ReadDiscreteInputs(r.Address, r.Count)
	}
	if r.Table.Bits() && err == nil {
		want = int(r.Count)
		out = make([]byte, len(bits))
		for i := range bits {
			if bits[i] {
				out[i] = 1
			}
		}
	}
	if err == nil && len(out) != want {
		err = broken("%d bytes where %d were asked for", len(out), want)
	}
	if err != nil {
		return nil, c.end(err)
	}
	return out, nil
}

// ReadFile refuses: the library has no function code 20.
func (c *tcp) ReadFile(context.Context, uint8, uint16, uint16, uint16) ([]byte, error) {
	return nil, refuse("file records can't be read over this client; dial with DialRaw")
}

func (c *tcp) Write(ctx context.Context, unit uint8, w regmap.Write) error {
	if err := checkWrite(w); err != nil {
		return err
	}
	if err := c.begin(ctx, unit); err != nil {
		return err
	}
	var err error
	switch {
	case w.Table == regmap.Coil:
		err = c.client.WriteCoil(w.Address, w.Words[0] != 0)
	case len(w.Words) == 1:
		err = c.client.WriteRegister(w.Address, w.Words[0])
	default:
		err = c.client.WriteRegisters(w.Address, w.Words)
	}
	return c.end(err)
}

func (c *tcp) begin(ctx context.Context, unit uint8) error {
	if c.failed {
		return errUnusable
	}
	if err := ctx.Err(); err != nil {
		return &unsent{err}
	}
	if c.unit != int(unit) {
		if err := c.client.SetUnitId(unit); err != nil {
			return c.end(err)
		}
		c.unit = int(unit)
	}
	return nil
}

// end translates the library's errors. Its socket must not be used again
// after anything but an exception: a late answer would be taken for the next.
func (c *tcp) end(err error) error {
	if err == nil {
		return nil
	}
	if e, ok := libraryException(err); ok {
		return e
	}
	c.failed = true
	var lib modbus.Error
	switch {
	case errors.Is(err, modbus.ErrRequestTimedOut):
		return errSilent
	case errors.As(err, &lib):
		return broken("%s", lib)
	}
	return err
}

var libraryExceptions = map[modbus.Error]Exception{
	modbus.ErrIllegalFunction:         IllegalFunction,
	modbus.ErrIllegalDataAddress:      IllegalAddress,
	modbus.ErrIllegalDataValue:        IllegalValue,
	modbus.ErrServerDeviceFailure:     ServerFailure,
	modbus.ErrAcknowledge:             Acknowledge,
	modbus.ErrServerDeviceBusy:        Busy,
	modbus.ErrMemoryParityError:       ParityError,
	modbus.ErrGWPathUnavailable:       GatewayPath,
	modbus.ErrGWTargetFailedToRespond: GatewaySilent,
}

// libraryException finds the exception behind a library error. The library
// names those it knows and puts the number of any other into its text.
func libraryException(err error) (Exception, bool) {
	var lib modbus.Error
	if errors.As(err, &lib) {
		e, ok := libraryExceptions[lib]
		return e, ok
	}
	var code uint8
	if n, _ := fmt.Sscanf(err.Error(), "unknown exception code (%d)", &code); n == 1 {
		return Exception(code), true
	}
	return 0, false
}
