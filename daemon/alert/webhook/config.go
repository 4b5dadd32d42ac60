package webhook

import (
	"encoding/json"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"faultkeep/configs/strict"
	"faultkeep/daemon/alert"
)

// Config of a webhook. The secret is a word that the receiver knows the
// sender by; it is read from a file or an environment variable at every send,
// so that it can be changed without a restart.
type Config struct {
	URL          string            `yaml:"url"`           // http or https address that alerts are posted to
	Headers      map[string]string `yaml:"headers"`       // further headers
	SecretFile   string            `yaml:"secret_file"`   // file that holds the secret
	SecretEnv    string            `yaml:"secret_env"`    // or the environment variable that does
	SecretHeader string            `yaml:"secret_header"` // header that carries it as it is; where left out Authorization: Bearer …
	SignFile     string            `yaml:"sign_file"`     // file that holds a key to sign requests with
	SignEnv      string            `yaml:"sign_env"`      // or the environment variable that does
	Timeout      strict.Duration   `yaml:"timeout"`       // for one request; 10 s where left out
}

const (
	usual   = 10 * time.Second
	longest = 25 * time.Second // below the dispatcher's own limit, so that ours is the error told
)

func (c Config) secret() alert.Secret { return alert.Secret{File: c.SecretFile, Env: c.SecretEnv} }

// key signs requests. It is read as the secret is.
func (c Config) key() alert.Secret { return alert.Secret{File: c.SignFile, Env: c.SignEnv} }

func (c Config) timeout() time.Duration {
	if c.Timeout == 0 {
		return usual
	}
	return c.Timeout.Std()
}

// Check calls say for everything that is wrong: the key, what is wrong with
// it, and what to do. It reads the secret but connects to nobody. What it says
// holds neither the secret nor the address, which may carry a token itself.
func (c Config) Check(say func(key, text, hint string)) {
	switch u, err := url.Parse(c.URL); {
	case c.URL == "":
		say("url", "is missing", "give the http or https address that alerts are posted to")
	case err != nil || (u.Scheme != "http" && u.Scheme != "https") || u.Hostname() == "":
		say("url", "is not an http or https address", "write it in full, as in https://alarms.example/faultkeep")
	case u.User != nil:
		say("url", "carries a user or password", "keep it in secret_file or secret_env")
	case u.Fragment != "":
		say("url", "has a part after #, which is never sent", "leave it out")
	case !validPort(u.Port()):
		say("url", "has a port that is not between 1 and 65535", "")
	}
	for _, name := range slices.Sorted(maps.Keys(c.Headers)) {
		key := "headers." + name
		switch {
		case !token(name):
			say(key, "is not a name for a header", "use letters, digits and hyphens")
		case slices.Contains(ours, http.CanonicalHeaderKey(name)):
			say(key, "is set by faultkeep itself", "leave it out")
		case c.secret().Set() && http.CanonicalHeaderKey(name) == c.header():
			say(key, "carries the secret already", "leave it out, or choose another secret_header")
		case !printable(c.Headers[name]):
			say(key, "holds a line end or another control character", "write it on one line")
		}
	}
	if c.SecretHeader != "" {
		switch {
		case !token(c.SecretHeader):
			say("secret_header", "is not a name for a header", "use letters, digits and hyphens")
		case slices.Contains(ours, http.CanonicalHeaderKey(c.SecretHeader)):
			say("secret_header", "is set by faultkeep itself", "choose another, such as X-Api-Key")
		case !c.secret().Set():
			say("secret_header", "has no secret to carry", "add secret_file or secret_env")
		}
	}
	kept := func(secret alert.Secret, file, env, what string) {
		if secret.File != "" && secret.Env != "" {
			say(env, "is given beside "+file, "keep one of them")
		} else if _, err := secret.Read(); err != nil {
			key, hint := file, "put the receiver's "+what+" there, readable by the account that faultkeep runs as"
			if secret.Env != "" {
				key, hint = env, "set it where faultkeep is started, or use "+file
			}
			say(key, err.Error(), hint)
		}
	}
	kept(c.secret(), "secret_file", "secret_env", "secret")
	kept(c.key(), "sign_file", "sign_env", "key")
	if c.Timeout != 0 && (c.Timeout.Std() < 100*time.Millisecond || c.Timeout.Std() > longest) {
		say("timeout", c.Timeout.String()+" is not between 100ms and "+longest.String(), "leave it out for "+usual.String())
	}
}

// ours are the headers that a receiver must be able to rely on, and those
// that belong to the connection.
var ours = []string{"Content-Type", "Content-Length", "Transfer-Encoding", "Connection", "Host", "User-Agent", "Trailer", "Te", "Upgrade",
	TimestampHeader, SignatureHeader}

// header is the canonical name of the header that carries the secret.
func (c Config) header() string {
	if c.SecretHeader == "" {
		return "Authorization"
	}
	return http.CanonicalHeaderKey(c.SecretHeader)
}

// Place is the address without path and query, which may hold a token.
func (c Config) Place() string {
	u, err := url.Parse(c.URL)
	if err != nil || u.Host == "" {
		return "an address that can't be read"
	}
	return u.Scheme + "://" + u.Host
}

// shown is what may be seen of a Config.
func (c Config) shown() map[string]any {
	m := map[string]any{"url": c.Place() + "/…", "timeout": c.timeout().String()}
	if len(c.Headers) > 0 {
		m["headers"] = slices.Sorted(maps.Keys(c.Headers))
	}
	if c.secret().Set() {
		m["secret"], m["secret_header"] = "(kept elsewhere)", c.header()
	}
	if c.key().Set() {
		m["signed"] = true
	}
	return m
}

// MarshalJSON leaves out whatever could be a secret: the address's path and
// query, and what the headers hold.
func (c Config) MarshalJSON() ([]byte, error) { return json.Marshal(c.shown()) }

// String does the same for messages and logs.
func (c Config) String() string { return "webhook to " + c.Place() }

// GoString does the same for %#v.
func (c Config) GoString() string { return c.String() }

// token tells whether s can be a header's name (RFC 9110, 5.6.2).
func token(s string) bool {
	for _, r := range s {
		if !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("!#$%&'*+-.^_`|~", r)) {
			return false
		}
	}
	return s != ""
}

func printable(s string) bool {
	return !strings.ContainsFunc(s, func(r rune) bool { return r < ' ' && r != '\t' || r == 0x7f })
}

func validPort(port string) bool {
	if port == "" {
		return true
	}
	n := 0
	for _, r := range port { // url.Parse let only digits through
		if n = 10*n + int(r-'0'); n > 65535 {
			return false
		}
	}
	return n > 0
}
