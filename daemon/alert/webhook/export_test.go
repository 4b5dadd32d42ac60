package webhook

import (
	"context"
	"net"
	"net/http"
)

// Over makes the sink's connections by dial, so that tests run in virtual time.
func (s *Sink) Over(dial func(ctx context.Context, network, address string) (net.Conn, error)) {
	s.client.Transport.(*http.Transport).DialContext = dial
}
