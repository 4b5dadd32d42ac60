package link

import (
	"context"
	"net"
	"time"
)

// DialOver opens links by our own client over connections that connect makes:
// a tunnel, or a simulated network in virtual time.
func DialOver(connect func(context.Context) (net.Conn, error), timeout time.Duration) Dial {
	return func(ctx context.Context) (Link, error) {
		ctx, stop := context.WithTimeout(ctx, timeout)
		defer stop()
		conn, err := connect(ctx)
		if err != nil {
			return nil, err
		}
		return newRaw(conn, timeout), nil
	}
}
