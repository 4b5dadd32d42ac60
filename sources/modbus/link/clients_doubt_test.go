package link_test

import (
	"bytes"
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"faultkeep/sources/modbus/link"
	"faultkeep/sources/modbus/regmap"
	"faultkeep/sources/sourcetest"
)

// After anything that leaves doubt about what is on the connection, the link
// must refuse: the late answer to one request could pass for the next one's.
func TestClientsRefuseAConnectionInDoubt(t *testing.T) {
	const timeout = 150 * time.Millisecond
	for name, a := range map[string]answer{
		"silence":                {},
		"late":                   {hex: "0000 0007 01 03 04 DEAD BEEF", delay: 2 * timeout},
		"half a frame":           {hex: "0000 0007 01 03 04 DE"},
		"half a frame, hung up":  {hex: "0000 0007 01 03 04 DE", hangUp: true},
		"hung up":                {hangUp: true},
		"another unit":           {hex: "0000 0007 02 03 04 0001 0002"},
		"another function":       {hex: "0000 0007 01 04 04 0001 0002"},
		"fewer registers":        {hex: "0000 0005 01 03 02 0001"},
		"more registers":         {hex: "0000 0009 01 03 06 0001 0002 0003"},
		"byte count too small":   {hex: "0000 0007 01 03 02 0001 0002"},
		"byte count without any": {hex: "0000 0003 01 03 00"},
		"oversize":               {hex: "0000 00FF 01 03 FC" + strings.Repeat("00", 252)},
		"length zero":            {hex: "0000 0000 01 03 04 0001 0002"},
		"another protocol":       {hex: "0001 0007 01 03 04 0001 0002"},
		"another transaction":    {hex: "7777 0000 0007 01 03 04 0001 0002", whole: true},
		"not Modbus":             {hex: hex.EncodeToString([]byte("HTTP/1.1 400 Bad Request\r\n\r\n")), whole: true},
	} {
		t.Run(name, func(t *testing.T) {
			eachClient(t, func(t *testing.T, dial func(string, time.Duration) link.Dial) {
				s := serve(t, func(int, string) answer { return a })
				l := open(t, dial(s.addr, timeout))
				two := regmap.Read{Table: regmap.Holding, Count: 2}
				start := time.Now()
				b, err := l.Read(t.Context(), 1, two)
				if err == nil || b != nil || link.Usable(err) {
					t.Fatalf("% X, %v; want an error that ends the connection", b, err)
				}
				if took := time.Since(start); took > 20*timeout {
					t.Errorf("took %v of a timeout of %v", took, timeout)
				}
				time.Sleep(a.delay)
				b, err = l.Read(t.Context(), 1, two)
				if err == nil || !strings.Contains(err.Error(), "connection unusable") {
					t.Fatalf("second read: % X, %v; want a refusal", b, err)
				}
				if n := len(s.got()); n != 1 {
					t.Errorf("%d requests sent, want 1", n)
				}
			})
		})
	}
}

func TestClientsTellSilenceApart(t *testing.T) {
	eachClient(t, func(t *testing.T, dial func(string, time.Duration) link.Dial) {
		s := serve(t, func(int, string) answer { return answer{} })
		l := open(t, dial(s.addr, 50*time.Millisecond))
		if _, err := l.Read(t.Context(), 1, regmap.Read{Table: regmap.Input, Count: 1}); !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("%v, want a deadline exceeded", err)
		}
	})
}

func TestClientsNeverSendWhatCantBe(t *testing.T) {
	reads := []regmap.Read{{Table: regmap.Holding, Count: 0}, {Table: regmap.Holding, Count: 126}, {Table: regmap.Input, Count: 65535},
		{Table: regmap.Coil, Count: 2001}, {Table: regmap.Holding, Address: 65535, Count: 2}, {Table: "relay", Count: 1}}
	writes := []regmap.Write{{Table: regmap.Input, Words: []uint16{1}}, {Table: regmap.Discrete, Words: []uint16{1}},
		{Table: regmap.Holding}, {Table: regmap.Holding, Words: make([]uint16, 124)}, {Table: regmap.Coil, Words: []uint16{2}},
		{Table: regmap.Coil, Words: []uint16{1, 1}}, {Table: regmap.Holding, Address: 65535, Words: []uint16{1, 2}}}
	eachClient(t, func(t *testing.T, dial func(string, time.Duration) link.Dial) {
		s := serve(t, func(int, string) answer { return answer{hex: "0000 0005 01 03 02 0001"} })
		l := open(t, dial(s.addr, time.Second))
		for _, r := range reads {
			if _, err := l.Read(t.Context(), 1, r); err == nil || !link.Usable(err) {
				t.Errorf("%+v: %v", r, err)
			}
		}
		for _, w := range writes {
			if err := l.Write(t.Context(), 1, w); err == nil || !link.Usable(err) {
				t.Errorf("%+v: %v", w, err)
			}
		}
		ended, cancel := context.WithCancel(t.Context())
		cancel()
		if _, err := l.Read(ended, 1, regmap.Read{Table: regmap.Holding, Count: 1}); !errors.Is(err, context.Canceled) {
			t.Errorf("ended context: %v", err)
		}
		if n := len(s.got()); n != 0 {
			t.Errorf("%d requests were sent", n)
		}
		if _, err := l.Read(t.Context(), 1, regmap.Read{Table: regmap.Holding, Count: 1}); err != nil {
			t.Errorf("the connection should be as good as before: %v", err)
		}
		l.Close()
		if _, err := l.Read(t.Context(), 1, regmap.Read{Table: regmap.Holding, Count: 1}); err == nil {
			t.Error("a closed link was read")
		}
	})
}

func TestOurClientIsStrict(t *testing.T) {
	for name, a := range map[string]answer{
		"bytes after the frame":   {hex: "0000 0007 01 03 04 0001 0002 00"},
		"a frame after the frame": {hex: "0000 0007 01 03 04 0001 0002 0001 0000 0007 01 03 04 0001 0002"},
	} {
		s := serve(t, func(int, string) answer { return a })
		l := open(t, link.DialRaw(s.addr, time.Second))
		_, err := l.Read(t.Context(), 1, regmap.Read{Table: regmap.Holding, Count: 2})
		var frame link.FrameError
		if !errors.As(err, &frame) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestOurClientIsCutShortByItsContext(t *testing.T) {
	s := serve(t, func(int, string) answer { return answer{} })
	l := open(t, link.DialRaw(s.addr, time.Minute))
	ctx, cancel := context.WithCancel(t.Context())
	time.AfterFunc(30*time.Millisecond, cancel)
	start := time.Now()
	_, err := l.Read(ctx, 1, regmap.Read{Table: regmap.Holding, Count: 1})
	if !errors.Is(err, context.Canceled) || link.Usable(err) || time.Since(start) > 10*time.Second {
		t.Errorf("%v after %v", err, time.Since(start))
	}
}

func TestFileRecords(t *testing.T) {
	replies := []string{"0000 0009 01 14 06 05 06 0DFE 0020", "0000 0003 01 94 02", "0000 0003 01 14 00"}
	s := serve(t, func(n int, _ string) answer { return answer{hex: replies[n-1]} })
	l := open(t, link.DialRaw(s.addr, 5*time.Second))
	for _, c := range [][3]uint16{{0, 0, 1}, {1, 0, 0}, {1, 0, 122}, {1, 9999, 2}, {1, 10000, 1}} {
		if _, err := l.ReadFile(t.Context(), 1, c[0], c[1], c[2]); err == nil || !link.Usable(err) {
			t.Errorf("%v: %v", c, err)
		}
	}
	b, err := l.ReadFile(t.Context(), 1, 4, 1, 2)
	if err != nil || !bytes.Equal(b, []byte{0x0D, 0xFE, 0, 0x20}) {
		t.Fatalf("% X, %v", b, err)
	}
	if got := s.got(); len(got) != 1 || got[0] != "01140706000400010002" {
		t.Errorf("sent %v", got)
	}
	if _, err := l.ReadFile(t.Context(), 1, 5, 1, 2); !errors.Is(err, link.IllegalAddress) {
		t.Errorf("%v, want exception 02", err)
	}
	var frame link.FrameError
	if b, err := l.ReadFile(t.Context(), 1, 4, 1, 2); !errors.As(err, &frame) {
		t.Errorf("empty success: % X, %v; want an error", b, err)
	}
	library := open(t, link.DialTCP(s.addr, time.Second))
	if _, err := library.ReadFile(t.Context(), 1, 4, 1, 2); err == nil || !link.Usable(err) {
		t.Errorf("library: %v", err)
	}
}

// pattern is what testdata/peers/pymodbus_drive.py serves.
func pattern(i, seed int) uint16 { return uint16((i+seed)*40503 + i>>5) }

func TestClientsAgainstPymodbus(t *testing.T) {
	const seed, words = 77, 30000
	addr := sourcetest.Python(t, "peers/pymodbus_drive.py", "--seed", fmt.Sprint(seed), "--unit", "3")
	check := func(t *testing.T, b []byte, from int) {
		t.Helper()
		for i := 0; i < len(b); i += 2 {
			if got, want := uint16(b[i])<<8|uint16(b[i+1]), pattern(from+i/2, seed); got != want {
				t.Fatalf("word %d is %04X, want %04X", from+i/2, got, want)
			}
		}
	}
	eachClient(t, func(t *testing.T, dial func(string, time.Duration) link.Dial) {
		l := open(t, dial(addr, 5*time.Second))
		for at := 0; at < words; at += 125 {
			b, err := l.Read(t.Context(), 3, regmap.Read{Table: regmap.Holding, Address: uint16(at), Count: 125})
			if err != nil || len(b) != 250 {
				t.Fatalf("at %d: %d bytes, %v", at, len(b), err)
			}
			check(t, b, at)
		}
		b, err := l.Read(t.Context(), 3, regmap.Read{Table: regmap.Input, Address: 65535, Count: 1})
		if err != nil {
			t.Fatal(err)
		}
		check(t, b, 65535)
		for _, table := range []regmap.Table{regmap.Coil, regmap.Discrete} {
			bits, err := l.Read(t.Context(), 3, regmap.Read{Table: table, Address: 5, Count: 1999})
			if err != nil {
				t.Fatal(err)
			}
			for i, bit := range bits {
				if uint16(bit) != pattern(5+i, seed)&1 {
					t.Fatalf("%s %d is %d", table, 5+i, bit)
				}
			}
		}
		for _, w := range []regmap.Write{{Table: regmap.Holding, Address: 40000, Words: []uint16{0xBEEF}},
			{Table: regmap.Holding, Address: 40000, Words: []uint16{1, 2, 3}}} {
			if err := l.Write(t.Context(), 3, w); err != nil {
				t.Fatal(err)
			}
			b, err := l.Read(t.Context(), 3, regmap.Read{Table: regmap.Holding, Address: 40000, Count: uint16(len(w.Words))})
			for i, word := range w.Words {
				if err != nil || uint16(b[2*i])<<8|uint16(b[2*i+1]) != word {
					t.Fatalf("wrote %v, read % X, %v", w.Words, b, err)
				}
			}
		}
		for _, on := range []uint16{1, 0} {
			if err := l.Write(t.Context(), 3, regmap.Write{Table: regmap.Coil, Address: 9, Words: []uint16{on}}); err != nil {
				t.Fatal(err)
			}
			if b, err := l.Read(t.Context(), 3, regmap.Read{Table: regmap.Coil, Address: 9, Count: 1}); err != nil || uint16(b[0]) != on {
				t.Fatalf("coil %d: %v, %v", on, b, err)
			}
		}
	})
	t.Run("file records", func(t *testing.T) {
		l := open(t, link.DialRaw(addr, 5*time.Second))
		for at := 0; at < words; {
			file, record := at/10000, at%10000
			n := min(121, 10000-record)
			b, err := l.ReadFile(t.Context(), 3, uint16(file+1), uint16(record), uint16(n))
			if err != nil || len(b) != 2*n {
				t.Fatalf("file %d record %d: %d bytes, %v", file+1, record, len(b), err)
			}
			check(t, b, at)
			at += n
		}
		if _, err := l.ReadFile(t.Context(), 3, 9, 0, 1); !errors.Is(err, link.IllegalAddress) {
			t.Errorf("a file that isn't there: %v, want exception 02", err)
		}
		if _, err := l.Read(t.Context(), 3, regmap.Read{Table: regmap.Holding, Count: 1}); err != nil {
			t.Errorf("registers over the same connection: %v", err)
		}
	})
	t.Run("stock file records", func(t *testing.T) {
		addr := sourcetest.Python(t, "peers/pymodbus_drive.py", "--stock-files")
		l := open(t, link.DialRaw(addr, 5*time.Second))
		var frame link.FrameError
		if b, err := l.ReadFile(t.Context(), 1, 1, 0, 10); !errors.As(err, &frame) {
			t.Errorf("an empty success came out as % X, %v", b, err)
		}
	})
}
