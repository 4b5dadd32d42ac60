package alert

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strings"
)

// Secret names where a password or token is kept: in a file or in an
// environment variable, never in the config itself.
type Secret struct {
	File string
	Env  string
}

// Set tells whether there is a secret at all.
func (s Secret) Set() bool { return s.File != "" || s.Env != "" }

// Read fetches the secret, without the line end that editors leave behind.
// The error never holds any of it.
func (s Secret) Read() (string, error) {
	var word, from string
	switch {
	case s.File != "" && s.Env != "":
		return "", errors.New("a secret is either in a file or in the environment, not in both")
	case s.File != "":
		from = s.File
		info, err := os.Stat(s.File) // before opening, since opening a pipe would wait for a writer
		if err == nil && !info.Mode().IsRegular() {
			return "", unreadable(from, errors.New("it is not a file"))
		}
		f, err := os.Open(s.File)
		if err != nil {
			return "", unreadable(from, err)
		}
		defer f.Close()
		const most = 16 << 10 // far longer than any token
		b, err := io.ReadAll(io.LimitReader(f, most+1))
		if err != nil {
			return "", unreadable(from, err)
		}
		if len(b) > most {
			return "", fmt.Errorf("%s is too long for a secret", from)
		}
		word = string(b)
	case s.Env != "":
		from = "environment variable " + s.Env
		var ok bool
		if word, ok = os.LookupEnv(s.Env); !ok {
			return "", fmt.Errorf("%s is not set", from)
		}
	default:
		return "", nil
	}
	word = strings.TrimRight(word, "\r\n")
	if word == "" {
		return "", fmt.Errorf("%s is empty", from)
	}
	if strings.ContainsFunc(word, func(r rune) bool { return r < ' ' || r == 0x7f }) {
		return "", fmt.Errorf("%s holds more than one line, or control characters", from)
	}
	return word, nil
}

func unreadable(file string, err error) error {
	switch {
	case errors.Is(err, fs.ErrNotExist):
		err = errors.New("it doesn't exist")
	case errors.Is(err, fs.ErrPermission):
		err = errors.New("its permissions don't allow it")
	}
	return fmt.Errorf("the secret in %s can't be read: %w", file, err)
}
