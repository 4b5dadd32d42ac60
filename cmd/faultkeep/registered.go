package main

import (
	"crypto/sha1" //nolint:gosec // Windows makes its numbers of services with it
	"encoding/binary"
	"fmt"
	"net"
	"path"
	"slices"
	"strings"
	"time"
	"unicode/utf16"
)

// registration is what Windows is told of the service. What is asked of
// Windows stands here, in words that people can type too; service_windows.go
// does it.
type registration struct {
	plan
	AtOnce bool // starts with the machine, not a little after it
	Own    bool // the data folder holds nothing but faultkeep's, or isn't there yet
}

// Windows makes an account of this name for the service alone. It has no
// password, may do little here, and on other computers is this computer.
const virtualAccount = `NT SERVICE\` + serviceName

const serviceText = "Watches drives and keeps their fault recordings before they are erased. Reads only, unless its config allows more."

const (
	restartsAfter = 5 * time.Second // whatever ended it, and however often
	forgetsAfter  = 24 * time.Hour  // counts failures anew then; which changes nothing, since all are alike
)

// arguments are absolute: a service begins in a system folder.
func (r registration) arguments() []string { return []string{"run", "--config", r.Config} }

// commandLine is what Windows starts.
func (r registration) commandLine() string {
	out := quotedWindows(r.Binary)
	for _, a := range r.arguments() {
		out += " " + quotedWindows(a)
	}
	return out
}

// quotedWindows is an argument as Windows' programs take theirs apart. Paths
// hold no quotation marks there, so only a backslash at the end is special.
func quotedWindows(s string) string {
	if s != "" && !strings.ContainsAny(s, " \t") {
		return s
	}
	end := len(s) - len(strings.TrimRight(s, `\`))
	return `"` + s + strings.Repeat(`\`, end) + `"`
}

// grant is a right that the account needs to a file or folder.
type grant struct {
	Path   string
	Right  string // as icacls has it: R, RX, M
	Folder bool   // to all in it
	Alone  bool   // nobody but administrators has another
}

// grants are what the account must be let do, and nothing more.
func (r registration) grants() []grant {
	out := []grant{
		{Path: r.Data, Right: "M", Folder: true, Alone: r.Own},
		{Path: parentWindows(r.Config), Right: "RX", Folder: true},
		{Path: r.Binary, Right: "RX"},
	}
	for _, p := range r.Writes {
		out = append(out, grant{Path: p, Right: "M", Folder: true})
	}
	for _, p := range r.Reads {
		out = append(out, grant{Path: p, Right: "RX", Folder: true})
	}
	beside := strings.ToLower(parentWindows(r.Config)) + `\`
	for _, p := range r.Secrets { // every user of the computer may read what lies in ProgramData
		out = append(out, grant{Path: p, Right: "R", Alone: strings.HasPrefix(strings.ToLower(p), beside)})
	}
	return slices.DeleteFunc(out, func(g grant) bool { return onShare(g.Path) })
}

// onShare tells whether a path is another computer's, which grants by itself.
func onShare(p string) bool {
	return (strings.HasPrefix(p, `\\`) || strings.HasPrefix(p, "//")) && !strings.HasPrefix(p, `\\?\`) && !strings.HasPrefix(p, `\\.\`)
}

// parentWindows is the folder of a path, also where this isn't Windows.
func parentWindows(p string) string {
	dir := path.Dir(strings.ReplaceAll(p, `\`, "/"))
	if strings.HasSuffix(dir, ":") {
		dir += "/"
	}
	if strings.Contains(p, `\`) {
		dir = strings.ReplaceAll(dir, "/", `\`)
	}
	return dir
}

// Those who keep their rights to what is the service's alone. Names of
// accounts differ from language to language, their numbers don't.
const (
	theSystem      = "*S-1-5-18"
	administrators = "*S-1-5-32-544"
)

// icacls are the arguments that give the right.
func (g grant) icacls(account string) []string {
	within := ""
	if g.Folder {
		within = "(OI)(CI)"
	}
	args := []string{long(g.Path)}
	if g.Alone {
		args = append(args, "/inheritance:r", "/grant:r", theSystem+":"+within+"F", administrators+":"+within+"F")
	} else {
		args = append(args, "/grant")
	}
	return append(args, trustee(account)+":"+within+g.Right, "/q")
}

// long is a path as programs take it that don't lengthen paths by themselves.
func long(p string) string {
	if len(p) < 248 || strings.HasPrefix(p, `\\`) {
		return p
	}
	return `\\?\` + p
}

// trustee is an account as icacls finds it on a Windows of any language.
func trustee(account string) string {
	switch strings.ToLower(account) {
	case strings.ToLower(virtualAccount):
		return "*" + serviceSID(serviceName)
	case `nt authority\localservice`:
		return "*S-1-5-19"
	case `nt authority\networkservice`:
		return "*S-1-5-20"
	}
	return account
}

// serviceSID is the number that Windows gives a service's own account: the
// SHA-1 of its name in capitals, in UTF-16, as five numbers.
func serviceSID(name string) string {
	var b []byte
	for _, u := range utf16.Encode([]rune(strings.ToUpper(name))) {
		b = binary.LittleEndian.AppendUint16(b, u)
	}
	sum := sha1.Sum(b) //nolint:gosec // see above
	sid := "S-1-5-80"
	for i := 0; i < len(sum); i += 4 {
		sid += fmt.Sprintf("-%d", binary.LittleEndian.Uint32(sum[i:]))
	}
	return sid
}

// eventSource is where Windows looks for the words of what faultkeep reports
// to its event log.
const eventSource = `HKLM\SYSTEM\CurrentControlSet\Services\EventLog\Application\` + serviceName

// words are the commands that would do the same.
func (r registration) words() string {
	start := "delayed-auto"
	if r.AtOnce {
		start = "auto"
	}
	ms := restartsAfter.Milliseconds()
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\r\n", args...) }
	line("rem What faultkeep service install does, as commands for a prompt opened as administrator.")
	line("rem The service runs as %s and starts again %v after it ended, whatever ended it.", r.Account, restartsAfter)
	line(`sc.exe create %s binPath= "%s" start= %s obj= "%s" DisplayName= "%s"`, serviceName, strings.ReplaceAll(r.commandLine(), `"`, `\"`), start, r.Account, serviceTitle)
	line(`sc.exe description %s "%s"`, serviceName, serviceText)
	line("sc.exe failure %s reset= %d actions= restart/%d/restart/%[3]d/restart/%[3]d", serviceName, int(forgetsAfter.Seconds()), ms)
	line("sc.exe failureflag %s 1", serviceName)
	line(`reg.exe add %s /v EventMessageFile /t REG_EXPAND_SZ /d "%%SystemRoot%%\System32\EventCreate.exe" /f`, eventSource)
	line("reg.exe add %s /v TypesSupported /t REG_DWORD /d 7 /f", eventSource)
	for _, folder := range append([]string{r.Data}, r.Makes...) {
		line("if not exist %s mkdir %[1]s", `"`+folder+`"`)
	}
	for _, g := range r.grants() {
		args := g.icacls(r.Account)
		for i, a := range args {
			if i == 0 || strings.ContainsAny(a, "( ") {
				args[i] = `"` + a + `"`
			}
		}
		line("icacls.exe %s", strings.Join(args, " "))
	}
	return b.String()
}

// minds are what the places of the files cost on Windows, and what only its
// people can do.
func (r registration) minds() (out []string) {
	for _, f := range []struct{ what, path string }{{"the program", r.Binary}, {"the config", r.Config}, {"the data folder", r.Data}} {
		if parts := strings.Split(strings.ToLower(strings.ReplaceAll(f.path, `\`, "/")), "/"); len(parts) > 1 && strings.HasSuffix(parts[0], ":") && parts[1] == "users" {
			out = append(out, fmt.Sprintf(`%s %s lies in a person's folder, and goes when that goes. Better places are C:\Program Files\faultkeep and C:\ProgramData\faultkeep`, f.what, f.path))
		}
	}
	for _, p := range slices.Concat(r.Reads, r.Writes, r.Secrets) {
		if onShare(p) {
			out = append(out, fmt.Sprintf("%s is on another computer. That one must let this computer's own account in (DOMAIN\\COMPUTER$), which the service is there", p))
		}
	}
	for _, l := range r.Listens {
		host, port, err := net.SplitHostPort(l)
		if ip := net.ParseIP(host); err == nil && host != "localhost" && (ip == nil || !ip.IsLoopback()) {
			out = append(out, fmt.Sprintf("Windows' firewall lets nobody in on port %s until it is told to, as in: netsh advfirewall firewall add rule name=faultkeep-%[1]s dir=in action=allow protocol=TCP localport=%[1]s", port))
		}
	}
	return out
}
