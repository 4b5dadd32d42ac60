package login

import (
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"
	"golang.org/x/text/unicode/norm"
)

// A new hash's parameters: the second recommended option of RFC 9106, section
// 4, "if much less memory is available" than 2 GiB.
const (
	passes    = 3
	memory    = 64 << 10 // KiB
	lanes     = 4
	saltBytes = 16
	tagBytes  = 32
)

// Bounds of what is taken from a config: a hash must not cost the daemon its memory.
const (
	mostPasses = 64
	mostMemory = 256 << 10 // KiB
	mostLanes  = 16
	mostBytes  = 64 // of salt and tag; RFC 9106, section 3.1, has no less than 8 and 4
)

// phc is a password's hash with how it was made, as the PHC string format
// writes it: $argon2id$v=19$m=65536,t=3,p=4$SALT$TAG, with base64 without padding.
// Source: github.com/P-H-C/phc-string-format, phc-sf-spec.md.
type phc struct {
	memory, passes uint32 // KiB, number
	lanes          uint8
	salt, tag      []byte
}

// ShortestPassword in characters. NIST SP 800-63B, revision 3, section
// 5.1.1.2, asks for at least 8; revision 4, section 3.1.1.2, for 15 where
// nothing but the password lets people in. 12 is ours, since guesses are limited
// and the page changes nothing on a drive.
const ShortestPassword = 12

// CheckPassword tells what is wrong with a new password.
func CheckPassword(password string) error {
	switch {
	case !utf8.ValidString(password):
		return errors.New("the password isn't UTF-8 text; type it on this computer's keyboard")
	case utf8.RuneCountInString(password) < ShortestPassword:
		return fmt.Errorf("the password has fewer than %d characters; take a sentence of several words", ShortestPassword)
	case len(password) > longestPassword:
		return fmt.Errorf("the password has more than %d bytes; take a shorter one", longestPassword)
	}
	return nil
}

// Hash is the line for the config that stands for a password.
func Hash(password string) string {
	h := phc{memory: memory, passes: passes, lanes: lanes, salt: make([]byte, saltBytes), tag: make([]byte, tagBytes)}
	_, _ = rand.Read(h.salt) // never fails
	h.tag = h.of(password)
	return h.String()
}

// of is the tag that a password has with h's parameters. The same letters typed
// on different computers count as the same (NFKC, as NIST SP 800-63B asks).
func (h phc) of(password string) []byte {
	return argon2.IDKey(norm.NFKC.Bytes([]byte(password)), h.salt, h.passes, h.memory, h.lanes, uint32(len(h.tag)))
}

func (h phc) matches(password string) bool {
	return subtle.ConstantTimeCompare(h.of(password), h.tag) == 1
}

// cost is how much work a comparison is, in KiB filled.
func (h phc) cost() uint64 { return uint64(h.memory) * uint64(h.passes) }

// like costs as much as h and matches nothing that anybody knows.
func (h phc) like() phc {
	h.salt, h.tag = make([]byte, len(h.salt)), make([]byte, len(h.tag))
	_, _ = rand.Read(h.salt)
	_, _ = rand.Read(h.tag)
	return h
}

func (h phc) String() string {
	text := base64.RawStdEncoding.EncodeToString
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, h.memory, h.passes, h.lanes, text(h.salt), text(h.tag))
}

// parse reads what String writes. Errors never hold any of it.
func parse(text string) (h phc, err error) {
	f := strings.Split(text, "$")
	if len(f) != 6 || f[0] != "" || f[1] != "argon2id" {
		return h, errors.New("is not an argon2id hash")
	}
	if f[2] != "v="+strconv.Itoa(argon2.Version) {
		return h, fmt.Errorf("is an argon2id hash of another version than %d", argon2.Version)
	}
	p := strings.Split(f[3], ",")
	if len(p) != 3 {
		return h, errors.New("is an argon2id hash without m, t and p")
	}
	m, okM := number(p[0], "m=", mostMemory)
	t, okT := number(p[1], "t=", mostPasses)
	l, okL := number(p[2], "p=", mostLanes)
	if !okM || !okT || !okL || m < 8*l { // RFC 9106, section 3.1: at least 8 KiB a lane
		return h, fmt.Errorf("is an argon2id hash with m, t or p out of bounds: up to m=%d,t=%d,p=%d, and m at least 8 times p",
			mostMemory, mostPasses, mostLanes)
	}
	h = phc{memory: uint32(m), passes: uint32(t), lanes: uint8(l)}
	salt, err1 := base64.RawStdEncoding.Strict().DecodeString(f[4])
	tag, err2 := base64.RawStdEncoding.Strict().DecodeString(f[5])
	if err1 != nil || err2 != nil || len(salt) < 8 || len(salt) > mostBytes || len(tag) < 16 || len(tag) > mostBytes {
		return h, errors.New("is an argon2id hash that was cut short or changed")
	}
	if h.salt, h.tag = salt, tag; h.String() != text { // such as line ends in base64, and numbers with a sign
		return h, errors.New("is an argon2id hash written in another way than usual")
	}
	return h, nil
}

// number reads name=N with 1 ≤ N ≤ most.
func number(text, name string, most int) (int, bool) {
	digits, ok := strings.CutPrefix(text, name)
	n, err := strconv.Atoi(digits)
	return n, ok && err == nil && n >= 1 && n <= most
}
