package link

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"time"

	"faultkeep/sources/modbus/regmap"
)

// DialRaw opens links by our own client: function codes 1–6, 16 and 20 over
// one connection. timeout bounds dialling, and each request.
func DialRaw(address string, timeout time.Duration) Dial {
	return func(ctx context.Context) (Link, error) {
		d := net.Dialer{Timeout: timeout}
		conn, err := d.DialContext(ctx, "tcp", address)
		if err != nil {
			return nil, err
		}
		return newRaw(conn, timeout), nil
	}
}

type raw struct {
	conn    net.Conn
	timeout time.Duration
	txn     uint16
	failed  bool
	pdu     []byte              // of the last request; reused
	out     []byte              // the last frame sent; reused
	in      [mostFrame + 1]byte // one byte more than any answer, to notice what doesn't belong to it
}

func newRaw(conn net.Conn, timeout time.Duration) *raw { return &raw{conn: conn, timeout: timeout} }

func (c *raw) Close() error {
	c.failed = true
	return c.conn.Close()
}

func (c *raw) Read(ctx context.Context, unit uint8, r regmap.Read) ([]byte, error) {
	if err := checkRead(r); err != nil {
		return nil, err
	}
	c.pdu = appendRead(c.pdu[:0], r)
	return ask(ctx, c, unit, func(answer []byte) ([]byte, error) { return decodeRead(answer, r) })
}

func (c *raw) ReadFile(ctx context.Context, unit uint8, file, record, words uint16) ([]byte, error) {
	ref := fileRef{file, record, words}
	if err := checkFile(ref); err != nil {
		return nil, err
	}
	c.pdu = appendFileRead(c.pdu[:0], ref)
	return ask(ctx, c, unit, func(answer []byte) ([]byte, error) {
		pieces, err := decodeFileRead(answer, ref)
		if err != nil {
			return nil, err
		}
		return pieces[0], nil
	})
}

func (c *raw) Write(ctx context.Context, unit uint8, w regmap.Write) error {
	if err := checkWrite(w); err != nil {
		return err
	}
	c.pdu = appendWrite(c.pdu[:0], w)
	_, err := ask(ctx, c, unit, func(answer []byte) ([]byte, error) { return nil, decodeWrite(answer, c.pdu) })
	return err
}

// ask sends the request in c.pdu and decodes its answer. Any failure but an
// Exception makes the link unusable.
func ask(ctx context.Context, c *raw, unit uint8, decode func([]byte) ([]byte, error)) ([]byte, error) {
	if c.failed {
		return nil, errUnusable
	}
	if err := ctx.Err(); err != nil {
		return nil, &unsent{err}
	}
	answer, err := c.exchange(ctx, unit)
	var out []byte
	if err == nil {
		out, err = decode(answer)
	}
	if err != nil && !Usable(err) {
		c.failed = true
	}
	return out, err
}

// exchange returns the answer's PDU, which is valid until the next request.
func (c *raw) exchange(ctx context.Context, unit uint8) ([]byte, error) {
	if err := c.conn.SetDeadline(time.Now().Add(c.timeout)); err != nil {
		return nil, err
	}
	if ctx.Done() != nil {
		cut := make(chan struct{})
		stop := context.AfterFunc(ctx, func() {
			_ = c.conn.SetDeadline(time.Unix(1, 0)) // fails only on a closed connection, which waits for nothing
			close(cut)
		})
		defer func() {
			if !stop() {
				<-cut // or it could cut the next request short
			}
		}()
	}
	c.txn++
	c.out = appendFrame(c.out[:0], c.txn, unit, c.pdu)
	_, err := c.conn.Write(c.out)
	var n int
	if err == nil {
		n, err = c.receive()
	}
	switch {
	case err == nil:
		return openFrame(c.in[:n], c.txn, unit, c.pdu[0])
	case ctx.Err() != nil:
		return nil, ctx.Err()
	case errors.Is(err, os.ErrDeadlineExceeded):
		return nil, errSilent
	}
	return nil, err
}

// receive reads one frame into c.in, with what came along with it.
func (c *raw) receive() (int, error) {
	n, size := 0, mostFrame+1
	for n < size {
		m, err := c.conn.Read(c.in[n:])
		n += m
		if size > mostFrame && n >= 6 {
			s, err := frameSize(c.in[:n], c.txn)
			if err != nil {
				return 0, err
			}
			size = s
		}
		switch {
		case n >= size: // more than size is for openFrame to refuse
		case errors.Is(err, io.EOF) && n > 0:
			return 0, fmt.Errorf("the connection was closed in mid-answer, after %d bytes: %w", n, io.ErrUnexpectedEOF)
		case err != nil:
			return 0, err
		}
	}
	return n, nil
}
