package link

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log"
	"time"

	"github.com/simonvetter/modbus"

	"faultkeep/sources/modbus/regmap"
)

// DialTCP opens links by simonvetter/modbus: function codes 1–6 and 16.
// timeout bounds dialling, and each request. A request under way isn't cut
// short by its context; the timeout bounds it.
func DialTCP(address string, timeout time.Duration) Dial {
	d := &dialler{timeout: timeout, open: func() (Link, error) {
		client, err := modbus.NewClient(&modbus.ClientConfiguration{
			URL: "tcp://" + address, Timeout: timeout, Logger: log.New(io.Discard, "", 0)})
		if err != nil {
			return nil, err
		}
		if err := client.Open(); err != nil { // gives up after 5 s, whatever timeout is
			return nil, err
		}
		return &tcp{client: client, unit: -1}, nil
	}}
	return d.dial
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
