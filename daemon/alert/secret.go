package alert

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
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
		path := readable(s.File)
		info, err := os.Stat(path) // before opening, since opening a pipe would wait for a writer
		if err == nil && !info.Mode().IsRegular() {
			return "", unreadable(from, errors.New("it is not a file"))
		}
		f, err := os.Open(path)
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

// Credential is the name under which systemd hands a secret file to the service,
// so that only root needs to be able to read the file itself.
func Credential(file string) string {
	sum := sha256.Sum256([]byte(file))
	return fmt.Sprintf("secret-%x", sum[:8])
}

// readable is the file itself, or where only root can read that, what systemd
// handed over of it when the service started.
func readable(file string) string {
	handed := os.Getenv("CREDENTIALS_DIRECTORY")
	if handed == "" {
		return file
	}
	_, err := os.Stat(file)
	if err == nil && isFile(file) {
		var f *os.File
		if f, err = os.Open(file); err == nil {
			f.Close()
		}
	}
	full, bad := filepath.Abs(file)
	if bad == nil && errors.Is(err, fs.ErrPermission) {
		if handed = filepath.Join(handed, Credential(full)); isFile(handed) {
			return handed
		}
	}
	return file
}

func isFile(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.Mode().IsRegular()
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

// CheckPassword calls say where the password can't be read, by the keys that
// sinks have for one.
func (s Secret) CheckPassword(say func(key, text, hint string)) {
	if s.File != "" && s.Env != "" {
		say("password_env", "is given beside password_file", "keep one of them")
		return
	}
	if _, err := s.Read(); err != nil {
		key, hint := "password_file", "put the password there, readable by the account that faultkeep runs as"
		if s.Env != "" {
			key, hint = "password_env", "set it where faultkeep is started, or use password_file"
		}
		say(key, err.Error(), hint)
	}
}
