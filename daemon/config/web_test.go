package config_test

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"faultkeep/daemon/certificate"
	"faultkeep/daemon/config"
)

const hash = "$argon2id$v=19$m=8,t=1,p=1$c2FsdHNhbHQ$4qoCcNCmUb80wGmnWfpPeg"

// behind is a config whose page is at an address behind TLS and a login.
func behind(listen, rest string) string {
	return fmt.Sprintf("data: data\nweb:\n  listen: %q\n  tls: {make: true}\n%s  users: [{name: anna, role: technician, hash: '%s'}]\n"+
		"drives: [{name: a, address: 192.0.2.1, map: builtin:generic-block}]\n", listen, rest, hash)
}

func TestListenBehindTLSAndLogin(t *testing.T) {
	for listen, want := range map[string]string{"0.0.0.0:8377": "https://pc:8377", ":8377": "https://pc:8377", "[::]:8377": "https://pc:8377",
		"192.0.2.5:8377": "https://192.0.2.5:8377", "edge-pc:443": "https://edge-pc:443", "127.0.0.1:8377": "https://127.0.0.1:8377", "[2001:db8::5]:8377": "https://[2001:db8::5]:8377",
		"0.0.0.0": "", "0.0.0.0:http": "", "a b:8377": "", "-edge:8377": ""} {
		l, problems := config.Parse(filepath.Join(t.TempDir(), "faultkeep.yaml"), []byte(behind(listen, "  names: [pc]\n")))
		if (len(problems) > 0) != (want == "") || want != "" && l.Config.Alerts.Link != want {
			t.Errorf("%s: %v", listen, problems)
		}
	}
	l, problems := config.Parse(filepath.Join(t.TempDir(), "faultkeep.yaml"), []byte(behind("edge-pc:8377", "  names: [a.example, b.example]\n")))
	if hosts := l.Config.Web.Hosts(); len(problems) > 0 || !slices.Equal(hosts, []string{"a.example", "b.example", "edge-pc"}) {
		t.Errorf("%v, %v", hosts, problems)
	}
}

// What Explain tells of the page: the fingerprint as soon as there is one, of
// made and of own certificates, and never a hash.
func TestExplainPage(t *testing.T) {
	folder := t.TempDir()
	l, problems := config.Parse(filepath.Join(folder, "faultkeep.yaml"), []byte(behind("0.0.0.0:8377", "  names: [edge-pc]\n")))
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	told := l.Explain()
	for _, want := range []string{"The page is at https://edge-pc:8377 and can be reached from other computers.\n",
		"Its certificate is made at the first start, which tells its fingerprint.\n", "Who may log in: anna (technician).\n"} {
		if !strings.Contains(told, want) {
			t.Errorf("no %q in %s", want, told)
		}
	}
	if err := os.Mkdir(l.Config.Data, 0o700); err != nil {
		t.Fatal(err)
	}
	made, err := l.Certificate()
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(l.Config.Data, certificate.File)
	own, problems := config.Parse(filepath.Join(folder, "faultkeep.yaml"), []byte(strings.Replace(behind("0.0.0.0:8377", ""), "make: true", fmt.Sprintf("cert: %q, key: %q", file, file), 1)))
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	for _, told := range []string{l.Explain(), own.Explain()} {
		if !strings.Contains(told, "SHA-256 fingerprint: "+made.Fingerprint()+"\n") || strings.Contains(told, "argon2") {
			t.Error(told)
		}
	}
	if asJSON, err := json.Marshal(own.Config); err != nil || strings.Contains(string(asJSON), "argon2") {
		t.Errorf("%s, %v", asJSON, err)
	}
}
