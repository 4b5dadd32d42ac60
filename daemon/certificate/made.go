package certificate

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"faultkeep/store/swap"
)

// File holds the certificate that faultkeep made, with its key, in the data folder.
const File = "page.pem"

// How long a made certificate lasts, and how long before its end it is made
// anew. Browsers take none that lasts longer than 825 days: CA/Browser Forum,
// Baseline Requirements 1.8, section 6.3.2, and Apple's support note HT210176.
const (
	validFor   = 800 * 24 * time.Hour
	validSince = 2 * 24 * time.Hour // before now: clocks differ
	renewAhead = 60 * 24 * time.Hour
)

// lasts tells whether a made certificate needn't be made anew.
func lasts(c *tls.Certificate, names []string) bool {
	// One that is to begin only later stays: this computer's clock may not
	// be set yet, and people have taken note of the fingerprint.
	if time.Until(c.Leaf.NotAfter) < renewAhead {
		return false
	}
	return !slices.ContainsFunc(names, func(name string) bool { return c.Leaf.VerifyHostname(name) != nil })
}

// fresh makes a certificate for the names, this computer's name and its
// addresses, and puts it in its file in one step. ECDSA on P-256, since no
// browser takes Ed25519.
func fresh(path string, names []string) (*tls.Certificate, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, err
	}
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 127))
	if err != nil {
		return nil, err
	}
	now := time.Now().UTC().Truncate(time.Second)
	sheet := &x509.Certificate{
		SerialNumber: serial, Subject: pkix.Name{CommonName: "faultkeep"},
		NotBefore: now.Add(-validSince), NotAfter: now.Add(validFor),
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
		BasicConstraintsValid: true,
	}
	for _, name := range append(slices.Clone(names), here()...) {
		if ip := net.ParseIP(name); ip != nil {
			if !slices.ContainsFunc(sheet.IPAddresses, ip.Equal) {
				sheet.IPAddresses = append(sheet.IPAddresses, ip)
			}
		} else if name = strings.ToLower(name); !slices.Contains(sheet.DNSNames, name) {
			sheet.DNSNames = append(sheet.DNSNames, name)
		}
	}
	der, err := x509.CreateCertificate(rand.Reader, sheet, sheet, key.Public(), key)
	if err != nil {
		return nil, fmt.Errorf("no certificate can be made: %w", err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return nil, err
	}
	var text bytes.Buffer
	if err := pem.Encode(&text, &pem.Block{Type: "CERTIFICATE", Bytes: der}); err != nil {
		return nil, err
	}
	if err := pem.Encode(&text, &pem.Block{Type: "PRIVATE KEY", Bytes: secret}); err != nil {
		return nil, err
	}
	if err := write(path, text.Bytes()); err != nil {
		return nil, fmt.Errorf("the page's certificate can't be stored: %w", err)
	}
	return pair(text.Bytes(), text.Bytes())
}

// mostHere bounds how many addresses of this computer a certificate names.
const mostHere = 32

// here are the names and addresses of this computer.
func here() []string {
	names := []string{"localhost", "127.0.0.1", "::1"}
	if host, err := os.Hostname(); err == nil && host != "" && !strings.ContainsAny(host, " *_") {
		names = append(names, host)
	}
	addresses, err := net.InterfaceAddrs()
	if err != nil {
		return names
	}
	for _, a := range addresses {
		if at, ok := a.(*net.IPNet); ok && at.IP.IsGlobalUnicast() && len(names) < mostHere {
			names = append(names, at.IP.String())
		}
	}
	return names
}

// write puts a secret in its place in one step; only its owner may read it.
func write(path string, b []byte) (err error) {
	f, err := os.CreateTemp(filepath.Dir(path), filepath.Base(path)+".*") // made with mode 0600
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			_ = os.Remove(f.Name())
		}
	}()
	_, err = f.Write(b)
	if err == nil {
		err = f.Sync()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err != nil {
		return err
	}
	return swap.File(f.Name(), path)
}
