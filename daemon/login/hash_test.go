package login_test

import (
	"encoding/base64"
	"fmt"
	"os/exec"
	"strings"
	"testing"

	"faultkeep/daemon/login"
	"faultkeep/sources/sourcetest"
)

// phc has Debian's argon2, the reference implementation, hash a password.
func phc(t *testing.T, salt, password string, args ...string) string {
	t.Helper()
	cmd := exec.Command(sourcetest.Need(t, "argon2"), append([]string{salt, "-id", "-v", "13", "-e"}, args...)...)
	cmd.Stdin = strings.NewReader(password)
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	return strings.TrimSpace(string(out))
}

// Our hashes are those of the reference implementation, to the letter, with the
// second recommended option of RFC 9106, section 4: t=3, p=4, m=2^16 KiB, a salt
// of 128 bits and a tag of 256.
func TestHashAgainstTheReference(t *testing.T) {
	const password = "correct horse battery staple"
	ours, salt := "", []byte{0}
	for strings.ContainsRune(string(salt), 0) { // which a command line can't hold
		ours = login.Hash(password)
		var err error
		if salt, err = base64.RawStdEncoding.DecodeString(strings.Split(ours, "$")[4]); err != nil {
			t.Fatal(err)
		}
	}
	if len(salt) != 16 {
		t.Errorf("a salt of %d bytes", len(salt))
	}
	if theirs := phc(t, string(salt), password, "-k", "65536", "-t", "3", "-p", "4", "-l", "32"); ours != theirs {
		t.Errorf("%s, by the reference %s", ours, theirs)
	}
	if other := login.Hash(password); other == ours {
		t.Error("two hashes with the same salt")
	}
}

// Hashes that the reference makes with other parameters are understood.
func TestHashesOfTheReference(t *testing.T) {
	for i, p := range [][4]int{{8, 1, 1, 16}, {64, 2, 4, 32}, {1024, 5, 16, 64}, {19456, 2, 1, 32}} {
		password := fmt.Sprint("password ", i)
		hash := phc(t, "saltsalt", password, "-k", fmt.Sprint(p[0]), "-t", fmt.Sprint(p[1]), "-p", fmt.Sprint(p[2]), "-l", fmt.Sprint(p[3]))
		if !login.Matches(hash, password) || login.Matches(hash, password+" ") {
			t.Errorf("%s", hash)
		}
		if again, err := login.Normal(hash); err != nil || again != hash {
			t.Errorf("%s becomes %s, %v", hash, again, err)
		}
	}
}

// NIST SP 800-63B, section 5.1.1.2, asks for NFKC: an ä is an ä, whether a
// keyboard sends it as one letter or as an a with two dots.
func TestLettersCountAsTyped(t *testing.T) {
	if !login.Matches(login.Hash("Nachtw\u00e4chter 3"), "Nachtwa\u0308chter 3") {
		t.Error("decomposed letters don't match")
	}
}

func TestHashesThatArent(t *testing.T) {
	const salt, tag = "c2FsdHNhbHQ", "4qoCcNCmUb80wGmnWfpPeg"
	for _, bad := range []string{
		"", "$", "$$$$$", "anna", "$argon2i$v=19$m=8,t=1,p=1$" + salt + "$" + tag, "$argon2id$v=16$m=8,t=1,p=1$" + salt + "$" + tag,
		"$argon2id$m=8,t=1,p=1$" + salt + "$" + tag, "x$argon2id$v=19$m=8,t=1,p=1$" + salt + "$" + tag, annasHash + "$", annasHash + "=", annasHash + "\n",
		"$argon2id$v=19$m=8,t=1$" + salt + "$" + tag, "$argon2id$v=19$t=1,m=8,p=1$" + salt + "$" + tag, "$argon2id$v=19$m=8,t=1,p=1,x=1$" + salt + "$" + tag,
		"$argon2id$v=19$m=4294967295,t=1,p=1$" + salt + "$" + tag, "$argon2id$v=19$m=262145,t=1,p=1$" + salt + "$" + tag,
		"$argon2id$v=19$m=8,t=0,p=1$" + salt + "$" + tag, "$argon2id$v=19$m=8,t=1000000,p=1$" + salt + "$" + tag, "$argon2id$v=19$m=8,t=1,p=0$" + salt + "$" + tag,
		"$argon2id$v=19$m=8,t=1,p=2$" + salt + "$" + tag, "$argon2id$v=19$m=4096,t=1,p=255$" + salt + "$" + tag, "$argon2id$v=19$m=+8,t=1,p=1$" + salt + "$" + tag,
		"$argon2id$v=19$m=08,t=1,p=1$" + salt + "$" + tag, "$argon2id$v=19$m=8,t=1,p=1$$" + tag, "$argon2id$v=19$m=8,t=1,p=1$" + salt + "$",
		"$argon2id$v=19$m=8,t=1,p=1$" + salt + "$" + tag[:8], "$argon2id$v=19$m=8,t=1,p=1$" + salt + "$" + strings.Repeat(tag, 20),
		"$argon2id$v=19$m=8,t=1,p=1$" + salt + "$" + tag[:21] + "h", // bits beyond the last byte
	} {
		u := login.User{Name: "anna", Role: login.Viewer, Hash: bad}
		found := 0
		u.Check(func(key, text, hint string) {
			found++
			if key != "hash" || hint == "" || bad != "" && len(bad) > 4 && strings.Contains(text, bad) {
				t.Errorf("%s: %s; %s", key, text, hint)
			}
		})
		if found != 1 {
			t.Errorf("%q is taken for a hash", bad)
		}
		if _, err := login.New([]login.User{u}); err == nil {
			t.Errorf("%q lets somebody in", bad)
		}
	}
}

func TestNewPasswords(t *testing.T) {
	for password, ok := range map[string]bool{"": false, "elevenchars": false, "twelve chars": true, "zwölf Zeichn": true, "elf Zeich\u00fcn": false,
		strings.Repeat("long ", 200): true, strings.Repeat("long ", 300): false, "not \xff UTF-8 at all": false} {
		if err := login.CheckPassword(password); (err == nil) != ok {
			t.Errorf("%.20q: %v", password, err)
		}
	}
}

// What is read as a hash is written the same.
func FuzzHash(f *testing.F) {
	f.Add(annasHash)
	f.Add("$argon2id$v=19$m=65536,t=3,p=4$ZIUWPdtdUkhQaRGteVTkIw$mBUlBxFwNuGD71z1SGK0BVYxS18PQxdTVsqhiaEJaxM")
	f.Fuzz(func(t *testing.T, text string) {
		if again, err := login.Normal(text); err == nil && again != text {
			t.Errorf("%q becomes %q", text, again)
		}
	})
}
