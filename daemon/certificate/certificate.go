// Package certificate is what the page shows to browsers to be trusted: a
// certificate of the user's own, or one that faultkeep makes for itself and
// whose fingerprint it tells.
package certificate

import (
	"bytes"
	"crypto"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"time"
)

// Certificate is the one that is shown at this moment.
type Certificate struct {
	now  atomic.Pointer[tls.Certificate]
	load func() (*tls.Certificate, error) // from its files; made anew where that is due
}

// Own is a certificate with its key from two PEM files. The certificate's may
// hold those that vouch for it too.
func Own(cert, key string) (*Certificate, error) {
	return open(func() (*tls.Certificate, error) {
		c, err := read(cert)
		if err != nil {
			return nil, err
		}
		k, err := read(key)
		if err != nil {
			return nil, err
		}
		return pair(c, k)
	})
}

// Made is the certificate that lies in a folder. It is made where there is
// none, where it soon ends, and where it lacks one of the names, which are host
// names and IP addresses.
func Made(folder string, names []string) (*Certificate, error) {
	path := filepath.Join(folder, File)
	return open(func() (*tls.Certificate, error) {
		both, err := read(path)
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("the page's certificate: %w", err)
		}
		if had, err := pair(both, both); err == nil && lasts(had, names) {
			return had, nil
		}
		return fresh(path, names) // also in the place of a damaged one: watching mustn't wait for somebody to come
	})
}

func open(load func() (*tls.Certificate, error)) (*Certificate, error) {
	c := &Certificate{load: load}
	_, err := c.Refresh()
	if err != nil {
		return nil, err
	}
	return c, nil
}

// Refresh reads the certificate's files again, or makes one that soon ends
// anew, and tells whether it is another now. On an error the old one stays.
func (c *Certificate) Refresh() (changed bool, err error) {
	next, err := c.load()
	if err != nil {
		return false, err
	}
	last := c.now.Swap(next)
	return last != nil && !bytes.Equal(last.Certificate[0], next.Certificate[0]), nil
}

// Config is how the page speaks TLS.
func (c *Certificate) Config() *tls.Config {
	return &tls.Config{
		MinVersion:     tls.VersionTLS12, // RFC 8996 forbids what came before
		GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return c.now.Load(), nil },
	}
}

// Pin is the SHA-256 of the certificate in hexadecimal digits, by which a
// client can know it again.
func (c *Certificate) Pin() string {
	sum := sha256.Sum256(c.now.Load().Certificate[0])
	return hex.EncodeToString(sum[:])
}

// Fingerprint is the Pin as browsers show it, "AB:CD:…".
func (c *Certificate) Fingerprint() string { return colons(c.Pin()) }

func colons(pin string) string {
	var parts []string
	for i := 0; i+1 < len(pin); i += 2 {
		parts = append(parts, strings.ToUpper(pin[i:i+2]))
	}
	return strings.Join(parts, ":")
}

// Ends is when the certificate ends.
func (c *Certificate) Ends() time.Time { return c.now.Load().Leaf.NotAfter }

// Shown is what is known of the certificate that faultkeep made in a folder,
// without making one; fs.ErrNotExist where there is none yet.
func Shown(folder string) (fingerprint string, ends time.Time, err error) {
	both, err := read(filepath.Join(folder, File))
	if err != nil {
		return "", time.Time{}, err
	}
	made, err := pair(both, both)
	if err != nil {
		return "", time.Time{}, err
	}
	sum := sha256.Sum256(made.Certificate[0])
	return colons(hex.EncodeToString(sum[:])), made.Leaf.NotAfter, nil
}

// pair is a certificate and its key, which must belong together.
func pair(cert, key []byte) (*tls.Certificate, error) {
	both, err := tls.X509KeyPair(cert, key)
	if err != nil {
		return nil, errors.New(strings.TrimPrefix(err.Error(), "tls: ")) // it holds nothing of the key
	}
	if both.Leaf == nil { // as it is with GODEBUG=x509keypairleaf=0
		if both.Leaf, err = x509.ParseCertificate(both.Certificate[0]); err != nil {
			return nil, err
		}
	}
	if _, ok := both.PrivateKey.(crypto.Signer); !ok {
		return nil, errors.New("the key can't sign")
	}
	return &both, nil
}

// read reads a PEM file of bounded size.
func read(path string) ([]byte, error) {
	info, err := os.Stat(path) // before opening, since opening a pipe would wait for a writer
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is not a file", path)
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	const most = 1 << 20
	b, err := io.ReadAll(io.LimitReader(f, most+1))
	if err == nil && len(b) > most {
		err = fmt.Errorf("%s is too large for a certificate or a key", path)
	}
	return b, err
}
