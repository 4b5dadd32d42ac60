package link_test

import (
	"io"
	"log"
	"net"
	"testing"
	"time"

	"github.com/simonvetter/modbus"

	"faultkeep/sources/modbus/link"
	"faultkeep/sources/modbus/regmap"
)

// answerAll serves 125 registers to whoever asks for any.
func answerAll(b *testing.B) string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer c.Close()
				in, out := make([]byte, 12), make([]byte, 9+250)
				for {
					if _, err := io.ReadFull(c, in); err != nil {
						return
					}
					copy(out, in[:2])
					out[5], out[6], out[7], out[8] = 253, in[6], in[7], 250
					if _, err := c.Write(out); err != nil {
						return
					}
				}
			}()
		}
	}()
	return l.Addr().String()
}

// BenchmarkRead compares reads of 125 registers with a bare loop over the
// library in the same run: ratio is reads a second, ours to the library's.
// The two take turns, so that both see the same machine.
func BenchmarkRead(b *testing.B) {
	addr := answerAll(b)
	read := regmap.Read{Table: regmap.Holding, Count: 125}
	bare, err := modbus.NewClient(&modbus.ClientConfiguration{URL: "tcp://" + addr, Timeout: time.Second, Logger: log.New(io.Discard, "", 0)})
	if err != nil {
		b.Fatal(err)
	}
	if err := bare.Open(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { bare.Close() })
	endpoint := func(d link.Dial) func(*testing.B) error {
		e := link.NewEndpoint(addr, d, 1, 0)
		b.Cleanup(func() { e.Close() })
		return func(b *testing.B) error { _, err := e.Read(b.Context(), 1, read); return err }
	}
	single := func(d link.Dial) func(*testing.B) error {
		l := open(b, d)
		return func(b *testing.B) error { _, err := l.Read(b.Context(), 1, read); return err }
	}
	for name, ours := range map[string]func(*testing.B) error{
		"library":               single(link.DialTCP(addr, time.Second)),
		"own":                   single(link.DialRaw(addr, time.Second)),
		"endpoint over library": endpoint(link.DialTCP(addr, time.Second)),
		"endpoint over own":     endpoint(link.DialRaw(addr, time.Second)),
	} {
		b.Run(name, func(b *testing.B) {
			const turn = 200
			var us, them time.Duration
			for b.Loop() {
				start := time.Now()
				for range turn {
					if err := ours(b); err != nil {
						b.Fatal(err)
					}
				}
				us += time.Since(start)
				start = time.Now()
				for range turn {
					if _, err := bare.ReadRawBytes(0, 250, modbus.HOLDING_REGISTER); err != nil {
						b.Fatal(err)
					}
				}
				them += time.Since(start)
			}
			b.ReportMetric(them.Seconds()/us.Seconds(), "ratio")
			b.ReportMetric(float64(turn*b.N)/us.Seconds(), "reads/s")
			b.ReportMetric(0, "ns/op")
		})
	}
}
