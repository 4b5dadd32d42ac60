package drivesim

import (
	"encoding/binary"
	"errors"
	"io"
	"time"
)

// Function codes that the server knows.
const (
	fcReadCoils     = 0x01
	fcReadDiscretes = 0x02
	fcReadHolding   = 0x03
	fcReadInput     = 0x04
	fcWriteCoil     = 0x05
	fcWriteRegister = 0x06
	fcWriteCoils    = 0x0F
	fcWriteMany     = 0x10
	fcReadFile      = 0x14
)

// frame is one request or answer: MBAP header and PDU.
type frame struct {
	transaction uint16
	unit        uint8
	pdu         []byte
}

var errFrame = errors.New("not a Modbus TCP frame")

// readFrame reads transaction, protocol (0), length (unit and PDU), unit, PDU.
func readFrame(r io.Reader) (frame, error) {
	var head [7]byte
	if _, err := io.ReadFull(r, head[:]); err != nil {
		return frame{}, err
	}
	length := binary.BigEndian.Uint16(head[4:])
	if binary.BigEndian.Uint16(head[2:]) != 0 || length < 2 || length > 254 {
		return frame{}, errFrame
	}
	f := frame{transaction: binary.BigEndian.Uint16(head[0:]), unit: head[6], pdu: make([]byte, length-1)}
	_, err := io.ReadFull(r, f.pdu)
	return f, err
}

func (f frame) bytes() []byte {
	b := make([]byte, 0, 7+len(f.pdu))
	b = binary.BigEndian.AppendUint16(b, f.transaction)
	b = append(b, 0, 0)
	b = binary.BigEndian.AppendUint16(b, uint16(1+len(f.pdu)))
	return append(append(b, f.unit), f.pdu...)
}

func refuse(function, exception byte) []byte { return []byte{function | 0x80, exception} }

// Answer is the drive's answer to a request PDU, nil where it says nothing.
func (d *Drive) Answer(now time.Time, pdu []byte) []byte {
	if len(pdu) == 0 {
		return nil
	}
	out, exception := d.answer(now, pdu[0], pdu[1:])
	switch exception {
	case 0:
		return append([]byte{pdu[0]}, out...)
	case NoAnswer:
		return nil
	}
	return refuse(pdu[0], exception)
}

func (d *Drive) answer(now time.Time, function byte, body []byte) ([]byte, byte) {
	switch function {
	case fcReadCoils:
		return d.answerBits(now, Coil, body)
	case fcReadDiscretes:
		return d.answerBits(now, Discrete, body)
	case fcReadHolding:
		return d.answerRegisters(now, Holding, body)
	case fcReadInput:
		return d.answerRegisters(now, Input, body)
	case fcWriteCoil, fcWriteRegister:
		return d.answerWrite(now, function, body)
	case fcWriteCoils, fcWriteMany:
		return d.answerWriteMany(now, function, body)
	case fcReadFile:
		return d.answerFile(now, body)
	}
	return nil, excFunction
}

// place is an address and a quantity, or an address and a value.
func place(body []byte) (addr, n uint16, ok bool) {
	if len(body) != 4 {
		return 0, 0, false
	}
	return binary.BigEndian.Uint16(body), binary.BigEndian.Uint16(body[2:]), true
}

func (d *Drive) answerRegisters(now time.Time, table string, body []byte) ([]byte, byte) {
	addr, n, ok := place(body)
	if !ok {
		return nil, excValue
	}
	regs, exception := d.Read(now, table, addr, n)
	return append([]byte{byte(len(regs))}, regs...), exception
}

func (d *Drive) answerBits(now time.Time, table string, body []byte) ([]byte, byte) {
	addr, n, ok := place(body)
	if !ok {
		return nil, excValue
	}
	bits, exception := d.Read(now, table, addr, n)
	out := make([]byte, 1+(len(bits)+7)/8)
	out[0] = byte(len(out) - 1)
	for i, b := range bits {
		out[1+i/8] |= b << (i % 8)
	}
	return out, exception
}

func (d *Drive) answerWrite(now time.Time, function byte, body []byte) ([]byte, byte) {
	addr, value, ok := place(body)
	if !ok {
		return nil, excValue
	}
	table := Holding
	if function == fcWriteCoil {
		table = Coil
		switch value {
		case 0xFF00:
			value = 1
		case 0x0000:
		default:
			return nil, excValue
		}
	}
	return body, d.Write(now, table, addr, []uint16{value})
}

func (d *Drive) answerWriteMany(now time.Time, function byte, body []byte) ([]byte, byte) {
	if len(body) < 6 {
		return nil, excValue
	}
	addr, n, _ := place(body[:4])
	count, values := int(body[4]), body[5:]
	var words []uint16
	if function == fcWriteMany {
		if n < 1 || n > 123 || count != 2*int(n) || len(values) != count {
			return nil, excValue
		}
		words = chop(values)
		return body[:4], d.Write(now, Holding, addr, words)
	}
	if n < 1 || n > 1968 || count != (int(n)+7)/8 || len(values) != count {
		return nil, excValue
	}
	for i := range int(n) {
		words = append(words, uint16(values[i/8]>>(i%8)&1))
	}
	return body[:4], d.Write(now, Coil, addr, words)
}

// answerFile serves sub-requests of 7 bytes: reference type 6, file, record, length.
func (d *Drive) answerFile(now time.Time, body []byte) ([]byte, byte) {
	if len(body) < 1 || body[0] < 0x07 || body[0] > 0xF5 || int(body[0]) != len(body)-1 || body[0]%7 != 0 {
		return nil, excValue
	}
	out := []byte{0}
	for group := body[1:]; len(group) > 0; group = group[7:] {
		if group[0] != 6 {
			return nil, excAddress
		}
		words := binary.BigEndian.Uint16(group[5:])
		if len(out)-1+2+2*int(words) > 0xF5 {
			return nil, excValue
		}
		data, exception := d.ReadFile(now, binary.BigEndian.Uint16(group[1:]), binary.BigEndian.Uint16(group[3:]), words)
		if exception != 0 {
			return nil, exception
		}
		out = append(append(out, byte(1+len(data)), 6), data...)
	}
	out[0] = byte(len(out) - 1)
	return out, 0
}
