package link

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"

	"faultkeep/sources"
)

// Classify turns an error of a link or of dialling into a sentence that says
// what failed and what to do. object is the drive, such as "10.0.0.11:502
// unit 1", op the request, such as "read holding 100–224". An error that is a
// sources.Error already, and the end of a context, come back as they are.
func Classify(object, op string, err error) error {
	var known *sources.Error
	if err == nil || errors.As(err, &known) || errors.Is(err, context.Canceled) {
		return err
	}
	out := &sources.Error{Op: op, Object: object, Err: err}
	var refused Exception
	var frame FrameError
	var never *unsent
	var name *net.DNSError
	var held *Held
	switch {
	case errors.As(err, &refused):
		out.Permanent = refused.Permanent()
		out.Hint = exceptionHint(refused, op)
	case errors.As(err, &frame):
		out.Hint = "Check that a Modbus TCP server listens there, and that no second program shares this connection or unit"
	case errors.As(err, &never):
		out.Permanent = !errors.Is(err, context.DeadlineExceeded)
		if out.Permanent {
			out.Hint = "Correct the map"
		}
	case errors.As(err, &name):
		out.Err = plain{fmt.Sprintf("the name %s isn't known to the network", name.Name), err}
		out.Hint = "Check the spelling and the name server, or use the drive's IP address"
	default:
		text, hint := reachHint(err)
		if errors.As(err, &held) && text != "" {
			text = held.say(text)
		}
		if text != "" {
			out.Err = plain{text, err}
		}
		out.Hint = hint
	}
	return out
}

// plain is an error in words of ours that still is what it was.
type plain struct {
	text string
	err  error
}

func (e plain) Error() string { return e.text }
func (e plain) Unwrap() error { return e.err }

func exceptionHint(e Exception, op string) string {
	file := strings.HasPrefix(op, "read file")
	switch e {
	case IllegalFunction:
		if file {
			return "The drive doesn't serve file records (function code 20): choose another layout in the map"
		}
		return fmt.Sprintf("The drive doesn't serve this table (%s): see in its register list whether the map should "+
			"say holding, input, coil or discrete there", opTable(op))
	case IllegalAddress:
		if file {
			return "Compare file and record numbers in the map with the drive's manual: files count from 1, records from 0"
		}
		return fmt.Sprintf("The drive has not all of %s: compare the addresses in the map with its register list. "+
			"A map counts from 0, many lists from 1 or from 40001; or lower limits.registers, or limits.bridge", opPlace(op))
	case IllegalValue:
		return fmt.Sprintf("The drive doesn't take this quantity or value (%s): lower limits.registers in the map, "+
			"or correct what the map writes", opPlace(op))
	case ServerFailure:
		return "The drive failed while answering: see its own display; if it lasts, it needs service"
	case Acknowledge, Busy:
		return "The drive is busy with something else and is asked again"
	case ParityError:
		return "The drive's memory failed its own check: a recording read from it is suspect, and it needs service if this lasts"
	case GatewayPath:
		return "The gateway has no way to this unit: check the unit number in the config and the gateway's port settings"
	case GatewaySilent:
		return "The gateway got no answer from this unit: check that the drive is powered, its unit number and its serial line"
	}
	return "Look the exception code up in the drive's manual"
}

// opPlace is what an op is about: "holding 100–224".
func opPlace(op string) string {
	_, place, ok := strings.Cut(op, " ")
	if !ok {
		return op
	}
	return place
}

func opTable(op string) string {
	table, _, _ := strings.Cut(opPlace(op), " ")
	return table
}

// reachHint says in plain words why an endpoint can't be reached.
func reachHint(err error) (text, hint string) {
	switch {
	case errors.Is(err, errClosed), errors.Is(err, errUnusable):
		return "", ""
	case isRefused(err):
		return "connection refused", "Something is there but nothing takes connections on this port: check the port, that Modbus TCP is " +
			"switched on in the drive, and that not all of its connections are taken"
	case isReset(err), errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return "the connection was closed by the other side", "Most drives take few connections: check that no other program " +
			"holds them, and lower connections; after a power cut it comes back by itself"
	case isUnreachable(err):
		return "no route to it", "Check the address, the cable and switch, and this computer's own network settings"
	case silent(err):
		return "no answer in time", "Check that the drive is powered, address and unit number, the cable, and firewalls; " +
			"a slow drive needs a longer timeout"
	}
	return "", "Check the drive's address and its network"
}
