package alert

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"os"
)

// Roots are the certificates in a file, which the other side's must be signed
// by. Without a file they are nil: the system's.
func Roots(file string) (*x509.CertPool, error) {
	if file == "" {
		return nil, nil
	}
	info, err := os.Stat(file) // before opening, since opening a pipe would wait for a writer
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() || info.Size() > 1<<20 {
		return nil, errors.New("it is not a file of certificates")
	}
	b, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(b) {
		return nil, errors.New("it holds no certificate in PEM")
	}
	return pool, nil
}

// TLS is how to reach host, whose certificate must be signed by one of Roots.
func TLS(host, file string) (*tls.Config, error) {
	pool, err := Roots(file)
	if err != nil {
		return nil, fmt.Errorf("%s can't be used: %w", file, err)
	}
	return &tls.Config{RootCAs: pool, ServerName: host, MinVersion: tls.VersionTLS12}, nil
}
