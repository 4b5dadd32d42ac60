package link

import (
	"encoding/binary"
	"fmt"

	"faultkeep/sources/modbus/regmap"
)

// Function codes and sizes (Modbus Application Protocol Specification V1.1b3,
// §4.1 and §6; the frame header is that of Modbus Messaging on TCP/IP V1.0b).
const (
	fcReadCoils      = 0x01
	fcReadDiscrete   = 0x02
	fcReadHolding    = 0x03
	fcReadInput      = 0x04
	fcWriteCoil      = 0x05
	fcWriteRegister  = 0x06
	fcWriteRegisters = 0x10
	fcReadFile       = 0x14
	exceptionFlag    = 0x80

	mostRegisters = 125    // a read
	mostBits      = 2000   // a read
	mostWords     = 123    // a write
	mostFileWords = 121    // a file read: the byte count may be F5h at most
	fileRecords   = 10000  // in one file
	fileReference = 0x06   // the only reference type there is
	mostFileBytes = 0xF5   // after the byte count, request and answer
	coilOn        = 0xFF00 // a coil is written as FF00h or 0000h

	headerSize = 7   // transaction, protocol, length, unit
	mostFrame  = 260 // header and a PDU of 253 bytes
)

// FrameError is an answer that breaks the rules of the protocol. What else is
// on the connection can't be trusted then.
type FrameError string

func (e FrameError) Error() string { return "the answer isn't valid Modbus: " + string(e) }

func broken(format string, args ...any) error { return FrameError(fmt.Sprintf(format, args...)) }

// appendFrame puts the header before a PDU.
func appendFrame(to []byte, txn uint16, unit uint8, pdu []byte) []byte {
	to = binary.BigEndian.AppendUint16(to, txn)
	to = append(to, 0, 0)
	to = binary.BigEndian.AppendUint16(to, uint16(len(pdu)+1))
	to = append(to, unit)
	return append(to, pdu...)
}

// frameSize tells how long the frame is that starts with head (6 bytes or
// more), and refuses one that can't be the answer to txn.
func frameSize(head []byte, txn uint16) (int, error) {
	if got := binary.BigEndian.Uint16(head); got != txn {
		return 0, broken("it belongs to transaction %d, not to %d", got, txn)
	}
	if got := binary.BigEndian.Uint16(head[2:]); got != 0 {
		return 0, broken("protocol identifier %d instead of 0", got)
	}
	size := int(binary.BigEndian.Uint16(head[4:])) + 6
	if size < headerSize+2 || size > mostFrame {
		return 0, broken("a length field of %d", size-6)
	}
	return size, nil
}

// openFrame takes the PDU out of a whole frame that answers function fc. An
// answer that refuses comes back as an Exception.
func openFrame(frame []byte, txn uint16, unit, fc uint8) ([]byte, error) {
	if len(frame) < headerSize+2 {
		return nil, broken("only %d bytes", len(frame))
	}
	size, err := frameSize(frame, txn)
	if err != nil {
		return nil, err
	}
	if size != len(frame) {
		return nil, broken("%d bytes where the length field says %d", len(frame), size)
	}
	from, pdu := frame[6], frame[headerSize:]
	if pdu[0] == fc|exceptionFlag {
		// A gateway may refuse in its own name, with unit 255.
		if from != unit && from != 0xFF {
			return nil, broken("it comes from unit %d, not from %d", from, unit)
		}
		return nil, decodeException(pdu)
	}
	if from != unit {
		return nil, broken("it comes from unit %d, not from %d", from, unit)
	}
	if pdu[0] != fc {
		return nil, broken("function code %02X instead of %02X", pdu[0], fc)
	}
	return pdu, nil
}

func decodeException(pdu []byte) error {
	if len(pdu) != 2 {
		return broken("an exception of %d bytes", len(pdu))
	}
	return Exception(pdu[1])
}

func readFunction(t regmap.Table) uint8 {
	switch t {
	case regmap.Coil:
		return fcReadCoils
	case regmap.Discrete:
		return fcReadDiscrete
	case regmap.Input:
		return fcReadInput
	}
	return fcReadHolding
}

func appendRead(to []byte, r regmap.Read) []byte {
	to = append(to, readFunction(r.Table))
	to = binary.BigEndian.AppendUint16(to, r.Address)
	return binary.BigEndian.AppendUint16(to, r.Count)
}

// decodeRead copies what was asked for out of an answer.
func decodeRead(pdu []byte, r regmap.Read) ([]byte, error) {
	want := 2 * int(r.Count)
	if r.Table.Bits() {
		want = (int(r.Count) + 7) / 8
	}
	if len(pdu) < 2 || len(pdu)-2 != want || int(pdu[1]) != want {
		return nil, shortData(pdu, want)
	}
	data := pdu[2:]
	if !r.Table.Bits() {
		return append(make([]byte, 0, want), data...), nil
	}
	bits := make([]byte, r.Count)
	for i := range bits {
		bits[i] = data[i/8] >> (i % 8) & 1
	}
	return bits, nil
}

func shortData(pdu []byte, want int) error {
	if len(pdu) < 2 {
		return broken("no byte count")
	}
	return broken("%d bytes of data and a byte count of %d where %d were asked for", len(pdu)-2, pdu[1], want)
}

func appendWrite(to []byte, w regmap.Write) []byte {
	switch {
	case w.Table == regmap.Coil:
		value := uint16(0)
		if w.Words[0] != 0 {
			value = coilOn
		}
		to = append(to, fcWriteCoil)
		to = binary.BigEndian.AppendUint16(to, w.Address)
		return binary.BigEndian.AppendUint16(to, value)
	case len(w.Words) == 1:
		to = append(to, fcWriteRegister)
		to = binary.BigEndian.AppendUint16(to, w.Address)
		return binary.BigEndian.AppendUint16(to, w.Words[0])
	}
	to = append(to, fcWriteRegisters)
	to = binary.BigEndian.AppendUint16(to, w.Address)
	to = binary.BigEndian.AppendUint16(to, uint16(len(w.Words)))
	to = append(to, byte(2*len(w.Words)))
	for _, word := range w.Words {
		to = binary.BigEndian.AppendUint16(to, word)
	}
	return to
}

// decodeWrite checks the answer to a write: the first five bytes of the
// request come back.
func decodeWrite(pdu, request []byte) error {
	if len(pdu) != 5 || string(pdu) != string(request[:5]) {
		return broken("a write of % X was confirmed as % X", request[:5], pdu)
	}
	return nil
}

// fileRef is one piece of a file: words registers from a record on.
type fileRef struct{ file, record, words uint16 }

func appendFileRead(to []byte, refs ...fileRef) []byte {
	to = append(to, fcReadFile, byte(7*len(refs)))
	for _, r := range refs {
		to = append(to, fileReference)
		to = binary.BigEndian.AppendUint16(to, r.file)
		to = binary.BigEndian.AppendUint16(to, r.record)
		to = binary.BigEndian.AppendUint16(to, r.words)
	}
	return to
}

// decodeFileRead gives the bytes of each piece. The answer doesn't say which
// file and record it holds, so every length must be exactly the one asked for.
func decodeFileRead(pdu []byte, refs ...fileRef) ([][]byte, error) {
	if len(pdu) < 2 {
		return nil, broken("no byte count")
	}
	rest := pdu[2:]
	if int(pdu[1]) != len(rest) || len(rest) > mostFileBytes {
		return nil, broken("%d bytes of file data and a byte count of %d", len(rest), pdu[1])
	}
	out := make([][]byte, 0, len(refs))
	for i, r := range refs {
		want := 2 * int(r.words)
		if len(rest) < 2+want {
			return nil, broken("%d bytes left for piece %d of the file, which takes %d", len(rest), i+1, 2+want)
		}
		if int(rest[0]) != 1+want {
			return nil, broken("piece %d of the file has length %d instead of %d", i+1, rest[0], 1+want)
		}
		if rest[1] != fileReference {
			return nil, broken("piece %d of the file has reference type %02X instead of 06", i+1, rest[1])
		}
		out = append(out, append(make([]byte, 0, want), rest[2:2+want]...))
		rest = rest[2+want:]
	}
	if len(rest) > 0 {
		return nil, broken("%d bytes of file data more than were asked for", len(rest))
	}
	return out, nil
}
