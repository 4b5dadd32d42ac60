// Package link talks to one Modbus TCP endpoint: a Link does single requests,
// real or simulated; an Endpoint shares few connections fairly among the
// drives behind it; a Guard stands before every write.
package link

import (
	"context"
	"fmt"

	"faultkeep/sources/modbus/regmap"
)

// Link is one connection to one unit. A Link isn't safe for concurrent use.
// After any error that isn't an Exception the connection is unusable.
type Link interface {
	// Read reads registers (2 bytes each, big-endian) or bits (one byte each, 0 or 1).
	Read(ctx context.Context, unit uint8, r regmap.Read) ([]byte, error)
	// ReadFile reads words registers of a file by function code 20.
	ReadFile(ctx context.Context, unit uint8, file, record, words uint16) ([]byte, error)
	// Write writes registers (function code 6 for one, 16 for more) or a coil (5).
	Write(ctx context.Context, unit uint8, w regmap.Write) error
	Close() error
}

// Dial opens a Link.
type Dial func(ctx context.Context) (Link, error)

// Exception is an answer of the drive that refuses a request. The connection
// stays usable.
type Exception uint8

// Modbus exception codes (Modbus Application Protocol Specification V1.1b3, §7).
const (
	IllegalFunction Exception = 0x01
	IllegalAddress  Exception = 0x02
	IllegalValue    Exception = 0x03
	ServerFailure   Exception = 0x04
	Acknowledge     Exception = 0x05
	Busy            Exception = 0x06
	ParityError     Exception = 0x08
	GatewayPath     Exception = 0x0A
	GatewaySilent   Exception = 0x0B
)

func (e Exception) Error() string {
	if name, ok := names[e]; ok {
		return fmt.Sprintf("the drive answered with exception %02X, %s", uint8(e), name)
	}
	return fmt.Sprintf("the drive answered with exception %02X", uint8(e))
}

// Permanent tells whether asking the same again is pointless.
func (e Exception) Permanent() bool {
	return e == IllegalFunction || e == IllegalAddress || e == IllegalValue
}

var names = map[Exception]string{
	IllegalFunction: "illegal function",
	IllegalAddress:  "illegal data address",
	IllegalValue:    "illegal data value",
	ServerFailure:   "server device failure",
	Acknowledge:     "acknowledge, still working on it",
	Busy:            "server device busy",
	ParityError:     "memory parity error",
	GatewayPath:     "gateway path unavailable",
	GatewaySilent:   "gateway target device failed to respond",
}
