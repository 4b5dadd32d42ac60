package archive

import (
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/tls"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strconv"
	"strings"
	"time"

	"faultkeep/daemon/web/wire"
	"faultkeep/store/capture"
	"faultkeep/store/coverage"
)

// client is an Archive through the running daemon's local API.
type client struct {
	base  string
	token string
	http  *http.Client
}

// answersWithin is how long a living daemon may take to say that it lives.
const answersWithin = 2 * time.Second

// dial is a client of the daemon, or nil where none answers there: it died, or
// something else has its port now.
func dial(ctx context.Context, e Endpoint) *client {
	base, err := reachable(e.Address)
	if err != nil {
		return nil
	}
	c := &client{base: base, token: e.Token, http: &http.Client{
		Transport: &http.Transport{ // straight there: never through a proxy of the environment
			DialContext:           (&net.Dialer{Timeout: answersWithin}).DialContext,
			TLSClientConfig:       pinned(e.Certificate),
			ResponseHeaderTimeout: time.Minute,
		},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}
	ctx, cancel := context.WithTimeout(ctx, answersWithin)
	defer cancel()
	var status struct {
		Version string `json:"version"`
	}
	if err := c.get(ctx, "", &status, nil, "status"); err != nil {
		c.http.CloseIdleConnections()
		return nil
	}
	return c
}

// pinned takes the one certificate with this SHA-256 and no other, whoever
// vouches for it and whatever names it has: the daemon wrote into the endpoint
// file which one is its own.
func pinned(sum string) *tls.Config {
	want, err := hex.DecodeString(sum)
	return &tls.Config{
		MinVersion:         tls.VersionTLS12,
		InsecureSkipVerify: true, //nolint:gosec // VerifyConnection, which is always called, asks for more than the usual checks
		VerifyConnection: func(state tls.ConnectionState) error {
			if err != nil || len(want) != sha256.Size || len(state.PeerCertificates) == 0 {
				return errors.New("the endpoint file doesn't say which certificate the daemon has")
			}
			if got := sha256.Sum256(state.PeerCertificates[0].Raw); !bytes.Equal(got[:], want) {
				return errors.New("this is not the daemon's certificate")
			}
			return nil
		},
	}
}

// reachable is the address to dial: a daemon that listens everywhere is on loopback too.
func reachable(address string) (string, error) {
	u, err := url.Parse(address)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return "", fmt.Errorf("%q is no address of a daemon", address)
	}
	if a, err := netip.ParseAddr(u.Hostname()); err == nil && a.IsUnspecified() {
		host := "127.0.0.1"
		if a.Is6() {
			host = "::1"
		}
		u.Host = net.JoinHostPort(host, u.Port())
	}
	return u.Scheme + "://" + u.Host, nil
}

// do asks for a path below the API's root; path segments are escaped here.
func (c *client) do(ctx context.Context, method, prefix string, q url.Values, path ...string) (*http.Response, error) {
	return c.send(ctx, method, nil, 0, prefix, q, path...)
}

// send is do with a body of that size; nil: none.
func (c *client) send(ctx context.Context, method string, body io.Reader, size int64, prefix string, q url.Values, path ...string) (*http.Response, error) {
	answer, err := c.ask(ctx, method, body, size, q, path...)
	if err != nil || answer.StatusCode == http.StatusOK {
		return answer, err
	}
	defer answer.Body.Close()
	return nil, c.failure(answer, prefix)
}

// failure is what an answer that isn't 200 says is wrong.
func (c *client) failure(answer *http.Response, prefix string) error {
	var f wire.Failure
	if err := json.NewDecoder(io.LimitReader(answer.Body, 1<<20)).Decode(&f); err != nil || f.Error == "" {
		return fmt.Errorf("faultkeep at %s answered %s", c.base, answer.Status)
	}
	return f.Err(prefix)
}

// ask is send that takes any answer.
func (c *client) ask(ctx context.Context, method string, body io.Reader, size int64, q url.Values, path ...string) (*http.Response, error) {
	address := c.base + "/api/v1"
	for _, p := range path {
		address += "/" + url.PathEscape(p)
	}
	if len(q) > 0 {
		address += "?" + q.Encode()
	}
	r, err := http.NewRequestWithContext(ctx, method, address, body)
	if err != nil {
		return nil, err
	}
	if body != nil {
		r.ContentLength = size
	}
	r.Header.Set("Authorization", "Bearer "+c.token)
	answer, err := c.http.Do(r)
	if err != nil {
		return nil, c.broken(ctx, err)
	}
	return answer, nil
}

// broken says that the daemon stopped answering in the middle.
func (c *client) broken(ctx context.Context, err error) error {
	if cause := ctx.Err(); cause != nil {
		return cause
	}
	var wrapped *url.Error
	if errors.As(err, &wrapped) {
		err = wrapped.Err
	}
	return fmt.Errorf("the running faultkeep at %s doesn't answer any more: %w. Try again; if it was stopped, the store's file is read instead", c.base, err)
}

func (c *client) get(ctx context.Context, prefix string, to any, q url.Values, path ...string) error {
	answer, err := c.do(ctx, http.MethodGet, prefix, q, path...)
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	return c.decode(ctx, answer, to)
}

func (c *client) decode(ctx context.Context, answer *http.Response, to any) error {
	if err := json.NewDecoder(answer.Body).Decode(to); err != nil {
		return c.broken(ctx, err)
	}
	return nil
}

func values(q wire.Query) url.Values {
	v := url.Values{}
	set := func(key, value string) {
		if value != "" {
			v.Set(key, value)
		}
	}
	if !q.Since.IsZero() {
		set("since", q.Since.Format(time.RFC3339Nano))
	}
	if !q.Until.IsZero() {
		set("until", q.Until.Format(time.RFC3339Nano))
	}
	set("drive", q.Drive)
	set("fault", q.Fault)
	set("before", string(q.Before))
	if q.Unread {
		set("unread", "true")
	}
	if q.Limit > 0 {
		set("limit", strconv.Itoa(q.Limit))
	}
	if q.Zone != nil && q.Zone != time.Local {
		set("zone", q.Zone.String())
	}
	return v
}

func (c *client) Captures(ctx context.Context, q wire.Query) ([]capture.Capture, error) {
	return listed[capture.Capture](ctx, c, q, "captures")
}

func (c *client) Misses(ctx context.Context, q wire.Query) ([]capture.Miss, error) {
	return listed[capture.Miss](ctx, c, q, "misses")
}

func (c *client) Spells(ctx context.Context, q wire.Query) ([]capture.Spell, error) {
	return listed[capture.Spell](ctx, c, q, "spells")
}

func (c *client) Ledger(ctx context.Context, q wire.Query) ([]wire.Entry, error) {
	return listed[wire.Entry](ctx, c, q, "ledger")
}

func (c *client) Coverage(ctx context.Context, q wire.Query) ([]coverage.Coverage, error) {
	return listed[coverage.Coverage](ctx, c, q, "coverage")
}

func listed[T any](ctx context.Context, c *client, q wire.Query, what string) ([]T, error) {
	var out []T
	err := c.get(ctx, "", &out, values(q), what)
	return some(out), err
}

func (c *client) Find(ctx context.Context, prefix string) (capture.Capture, error) {
	var out capture.Capture
	short := strings.TrimSpace(prefix)
	if short == "" || short == "." || short == ".." { // these can't stand in a path
		return out, wire.NotFound(prefix)
	}
	err := c.get(ctx, prefix, &out, nil, "captures", short)
	return out, err
}

func (c *client) Original(ctx context.Context, id capture.ID, part string) ([]byte, []capture.Range, error) {
	if part == "" {
		part = capture.Data
	}
	answer, err := c.do(ctx, http.MethodGet, string(id), nil, "captures", string(id), part)
	if err != nil {
		return nil, nil, err
	}
	defer answer.Body.Close()
	b, err := io.ReadAll(answer.Body)
	if err != nil {
		return nil, nil, c.broken(ctx, err)
	}
	have, err := wire.ParseRanges(answer.Header.Get(wire.HaveHeader), int64(len(b)))
	return b, have, err
}

func (c *client) Samples(ctx context.Context, id capture.ID) (capture.Capture, []capture.Series, error) {
	return samples(ctx, c, id)
}

func (c *client) Verify(ctx context.Context, progress func(done, total int)) (wire.Report, error) {
	answer, err := c.do(ctx, http.MethodPost, "", nil, "verify")
	if err != nil {
		return wire.Report{}, err
	}
	defer answer.Body.Close()
	for lines := json.NewDecoder(answer.Body); ; {
		var l wire.VerifyLine
		if err := lines.Decode(&l); err != nil {
			return wire.Report{}, c.broken(ctx, err)
		}
		switch {
		case l.Report != nil:
			return *l.Report, nil
		case l.Failure != nil:
			return wire.Report{}, l.Failure.Err("")
		case l.Progress != nil && progress != nil:
			progress(l.Progress.Done, l.Progress.Total)
		}
	}
}

func (c *client) Backup(ctx context.Context, w io.Writer, begin func(size int64)) error {
	answer, err := c.patient().do(ctx, http.MethodPost, "", nil, "backup")
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	if answer.ContentLength < 0 {
		return fmt.Errorf("faultkeep at %s didn't say how large the backup is", c.base)
	}
	begin(answer.ContentLength)
	from := &reader{from: answer.Body}
	if _, err := io.CopyN(w, from, answer.ContentLength); err != nil {
		if from.failed {
			return c.broken(ctx, err)
		}
		return err
	}
	return nil
}

// reader tells whether it was the reading that failed.
type reader struct {
	from   io.Reader
	failed bool
}

func (r *reader) Read(b []byte) (int, error) {
	n, err := r.from.Read(b)
	r.failed = err != nil
	return n, err
}

func (c *client) Compact(ctx context.Context, progress func(done, total int64)) (wire.Compacted, error) {
	answer, err := c.do(ctx, http.MethodPost, "", nil, "compact")
	if err != nil {
		return wire.Compacted{}, err
	}
	defer answer.Body.Close()
	for lines := json.NewDecoder(answer.Body); ; {
		var l wire.CompactLine
		if err := lines.Decode(&l); err != nil {
			return wire.Compacted{}, c.broken(ctx, err)
		}
		switch {
		case l.Compacted != nil:
			return *l.Compacted, nil
		case l.Failure != nil:
			return wire.Compacted{}, l.Failure.Err("")
		case l.Progress != nil && progress != nil:
			progress(l.Progress.Done, l.Progress.Total)
		}
	}
}

// patient is a client that waits for an answer however long it takes: a large
// store takes minutes to copy before the answer can begin.
func (c *client) patient() *client {
	transport := c.http.Transport.(*http.Transport).Clone()
	transport.ResponseHeaderTimeout = 0
	transport.DisableKeepAlives = true
	again := *c
	again.http = &http.Client{Transport: transport, CheckRedirect: c.http.CheckRedirect}
	return &again
}

func (c *client) Close() error {
	c.http.CloseIdleConnections()
	return nil
}
