package main

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"faultkeep/daemon/archive"
)

// The derivation is checked against the account that owns Windows' own files,
// NT SERVICE\TrustedInstaller, whose number is public (Microsoft, "Well-known
// security identifiers" and countless listings of icacls).
func TestServiceSID(t *testing.T) {
	if got, want := serviceSID("TrustedInstaller"), "S-1-5-80-956008885-3418522649-1831038044-1853292631-2271478464"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
}

func windowsPlan() registration {
	return registration{Own: true, plan: plan{Binary: `C:\Program Files\faultkeep\faultkeep.exe`, Config: `C:\ProgramData\faultkeep\faultkeep.yaml`,
		Data: `C:\ProgramData\faultkeep\data`, Account: virtualAccount, Listens: []string{"127.0.0.1:8377"}}}
}

// The account gets what the config asks for and no more: it may change only the
// data folder and the folders that something is written to.
func TestGrants(t *testing.T) {
	r := windowsPlan()
	r.Reads, r.Writes, r.Secrets = []string{`D:\exports`, `\\server\exports`}, []string{`D:\kept`}, []string{`C:\keys\hook.key`, `C:\ProgramData\faultkeep\mail.key`}
	us := "*" + serviceSID(serviceName)
	var got []string
	for _, g := range r.grants() {
		got = append(got, strings.Join(g.icacls(r.Account), " "))
	}
	want := []string{
		`C:\ProgramData\faultkeep\data /inheritance:r /grant:r *S-1-5-18:(OI)(CI)F *S-1-5-32-544:(OI)(CI)F ` + us + `:(OI)(CI)M /q`,
		`C:\ProgramData\faultkeep /grant ` + us + `:(OI)(CI)RX /q`,
		`C:\Program Files\faultkeep\faultkeep.exe /grant ` + us + `:RX /q`,
		`D:\kept /grant ` + us + `:(OI)(CI)M /q`,
		`D:\exports /grant ` + us + `:(OI)(CI)RX /q`,
		`C:\keys\hook.key /grant ` + us + `:R /q`,
		`C:\ProgramData\faultkeep\mail.key /inheritance:r /grant:r *S-1-5-18:F *S-1-5-32-544:F ` + us + `:R /q`,
	}
	if !slices.Equal(got, want) {
		t.Errorf("%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	// What others lie in keeps the rights that they have to it.
	r.Own, r.Account = false, `NT AUTHORITY\LocalService`
	if got := strings.Join(r.grants()[0].icacls(r.Account), " "); got != `C:\ProgramData\faultkeep\data /grant *S-1-5-19:(OI)(CI)M /q` {
		t.Error(got)
	}
	deep := `C:\` + strings.Repeat(`a\`, 130)
	if got := (grant{Path: deep, Right: "R"}).icacls(r.Account)[0]; got != `\\?\`+deep {
		t.Error(got)
	}
	if got := trustee(`NORTHQUAY\faultkeep$`); got != `NORTHQUAY\faultkeep$` {
		t.Error(got)
	}
}

// Every command that --dry-run shows is one that people can type.
func TestRegistrationInWords(t *testing.T) {
	r := windowsPlan()
	text := r.words()
	for _, want := range []string{
		`sc.exe create faultkeep binPath= "\"C:\Program Files\faultkeep\faultkeep.exe\" run --config C:\ProgramData\faultkeep\faultkeep.yaml" start= delayed-auto obj= "NT SERVICE\faultkeep" DisplayName= "`,
		`sc.exe failure faultkeep reset= 86400 actions= restart/5000/restart/5000/restart/5000`,
		`sc.exe failureflag faultkeep 1`,
		`reg.exe add HKLM\SYSTEM\CurrentControlSet\Services\EventLog\Application\faultkeep /v EventMessageFile /t REG_EXPAND_SZ /d "%SystemRoot%\System32\EventCreate.exe" /f`,
		`if not exist "C:\ProgramData\faultkeep\data" mkdir "C:\ProgramData\faultkeep\data"`,
		`icacls.exe "C:\Program Files\faultkeep\faultkeep.exe" /grant *` + serviceSID(serviceName) + `:RX /q`,
		`icacls.exe "C:\ProgramData\faultkeep\data" /inheritance:r /grant:r "*S-1-5-18:(OI)(CI)F" "*S-1-5-32-544:(OI)(CI)F" "*` + serviceSID(serviceName) + `:(OI)(CI)M" /q`,
		`icacls.exe "C:\ProgramData\faultkeep" /grant "*` + serviceSID(serviceName) + `:(OI)(CI)RX" /q`,
	} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
	r.AtOnce, r.Config = true, `C:\line 3\faultkeep.yaml`
	if text = r.words(); !strings.Contains(text, " start= auto ") || !strings.Contains(text, `run --config \"C:\line 3\faultkeep.yaml\"" start`) {
		t.Error(text)
	}
}

func TestQuotedForWindows(t *testing.T) {
	for in, want := range map[string]string{`C:\a`: `C:\a`, `C:\a b`: `"C:\a b"`, `C:\a b\`: `"C:\a b\\"`, "": `""`} {
		if got := quotedWindows(in); got != want {
			t.Errorf("%s: %s, want %s", in, got, want)
		}
	}
	for in, want := range map[string]string{`C:\f.yaml`: `C:\`, `C:\a\b\f.yaml`: `C:\a\b`, `/etc/faultkeep/f.yaml`: "/etc/faultkeep", `C:/a/f.yaml`: "C:/a"} {
		if got := parentWindows(in); got != want {
			t.Errorf("%s: %s, want %s", in, got, want)
		}
	}
}

func TestMindsOnWindows(t *testing.T) {
	if got := windowsPlan().minds(); len(got) != 0 {
		t.Errorf("%q", got)
	}
	r := windowsPlan()
	r.Binary, r.Reads, r.Listens = `C:\Users\anna\faultkeep.exe`, []string{`\\server\exports`, `\\?\D:\long`}, []string{"127.0.0.1:8377", "0.0.0.0:8443", "[::1]:1", "localhost:2", "192.0.2.7:1502"}
	got := strings.Join(r.minds(), "\n")
	for _, want := range []string{`the program C:\Users\anna\faultkeep.exe lies in a person's folder`, `\\server\exports is on another computer`, "localport=8443", "localport=1502"} {
		if strings.Count(got, want) != 1 {
			t.Errorf("no %q in\n%s", want, got)
		}
	}
	if n := len(r.minds()); n != 4 {
		t.Errorf("%d: %s", n, got)
	}
}

func TestAccountsThatFit(t *testing.T) {
	for _, one := range []struct {
		goos, account string
		fits          bool
	}{
		{"windows", virtualAccount, true}, {"windows", `NT AUTHORITY\LocalService`, true}, {"windows", `NORTHQUAY\watch$`, true}, {"windows", "anna", true},
		{"windows", "LocalSystem", false}, {"windows", `.\LocalSystem`, false}, {"windows", `NT AUTHORITY\SYSTEM`, false}, {"windows", `a"b`, false}, {"windows", "a:F", false}, {"windows", "", true},
		{"linux", "faultkeep", true}, {"linux", `a\b`, false}, {"linux", "root", false},
	} {
		if err := fit(one.goos, one.account); (err == nil) != one.fits {
			t.Errorf("%s on %s: %v", one.account, one.goos, err)
		}
	}
}

// A wrong config, and whatever else ended the service, is told by status.
func TestStatusTellsWhyItDoesNotRun(t *testing.T) {
	if canInstall() != nil {
		t.Skip("status tells of mistakes only to who may install")
	}
	folder := t.TempDir()
	conf := filepath.Join(folder, "faultkeep.yaml")
	write := func(text string) {
		if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	told := func(s state) string {
		s.fill("")
		var lines []string
		for _, r := range s.rows() {
			lines = append(lines, strings.Join(r, " "))
		}
		return strings.Join(lines, "\n")
	}
	down, up := state{Installed: true, AtBoot: true, Config: conf}, state{Installed: true, AtBoot: true, Running: true, Config: conf}
	write("data: " + filepath.ToSlash(folder) + "\ndrives: [{name: belt-2, address: 192.0.2.12, map: builtin:generic-block}]\n")
	if text := told(down); strings.Contains(text, "wrong") || strings.Contains(text, "ended") {
		t.Error(text)
	}
	at := time.Date(2026, 11, 26, 3, 10, 0, 0, time.UTC)
	if err := archive.WriteFailure(folder, archive.Failure{Time: at, Error: "the page can't be served"}); err != nil {
		t.Fatal(err)
	}
	if text := told(down); !strings.Contains(text, "ended 2026-11-26T03:10:00Z: the page can't be served") {
		t.Error(text)
	}
	if text := told(up); strings.Contains(text, "ended") {
		t.Error(text)
	}
	write("data: data\ndrivs: []\n")
	if text := told(down); !strings.Contains(text, "it can't start") || !strings.Contains(text, `drivs`) {
		t.Error(text)
	}
	if text := told(up); !strings.Contains(text, "runs with what it read before") {
		t.Error(text)
	}
}

func TestWordIsLeftOfAFailure(t *testing.T) {
	folder := t.TempDir()
	leaveWord(folder, os.ErrDeadlineExceeded)
	if f, err := archive.ReadFailure(folder); err != nil || f.Error != os.ErrDeadlineExceeded.Error() || time.Since(f.Time) > time.Minute {
		t.Errorf("%+v, %v", f, err)
	}
	leaveWord(folder, nil)
	if f, err := archive.ReadFailure(folder); !os.IsNotExist(err) {
		t.Errorf("%+v, %v", f, err)
	}
}
