package support

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"runtime"
	"strings"
	"time"

	"github.com/goccy/go-yaml"
)

// find is a text in YAML that may be wrong elsewhere, or "".
func find(src []byte, keys []string) string {
	var v any
	if yaml.Unmarshal(src, &v) != nil {
		return ""
	}
	for _, k := range keys {
		m, ok := v.(map[string]any)
		if !ok {
			return ""
		}
		v = m[k]
	}
	s, _ := v.(string)
	return s
}

// system names the operating system.
func system(ctx context.Context) map[string]string {
	s := map[string]string{"os": runtime.GOOS, "architecture": runtime.GOARCH, "processors": fmt.Sprint(runtime.NumCPU())}
	if b, err := os.ReadFile("/etc/os-release"); err == nil {
		for line := range strings.Lines(string(b)) {
			if name, ok := strings.CutPrefix(line, "PRETTY_NAME="); ok {
				s["name"] = strings.Trim(strings.TrimSpace(name), `"`)
			}
		}
	}
	if b, err := os.ReadFile("/proc/sys/kernel/osrelease"); err == nil {
		s["kernel"] = strings.TrimSpace(string(b))
	}
	if runtime.GOOS == "windows" {
		ctx, stop := context.WithTimeout(ctx, 5*time.Second)
		defer stop()
		if out, err := exec.CommandContext(ctx, "cmd", "/c", "ver").Output(); err == nil {
			s["kernel"] = strings.TrimSpace(string(out))
		}
	}
	return s
}

// listing is a folder's content.
func listing(folder string) (string, error) {
	if folder == "" {
		return "", errors.New("no data folder is known; name it with --data")
	}
	list, err := os.ReadDir(folder)
	if err != nil {
		return "", err
	}
	var b strings.Builder
	for _, e := range list {
		info, err := e.Info()
		if err != nil {
			fmt.Fprintf(&b, "%s: %v\n", e.Name(), err)
			continue
		}
		fmt.Fprintf(&b, "%s %12d  %s  %q\n", info.Mode(), info.Size(), info.ModTime().UTC().Format(time.RFC3339), e.Name())
	}
	return b.String(), nil
}

// tail is the end of the log: of its file, or of the system's journal.
func tail(ctx context.Context, path string, within time.Duration) (string, error) {
	if path != "" {
		text, err := end(path)
		if err != nil {
			return "", fmt.Errorf("the log's file can't be read: %w", err)
		}
		return text, nil
	}
	if runtime.GOOS != "linux" {
		return "", errors.New("no file is set for the log; set log.file in the config")
	}
	ctx, stop := context.WithTimeout(ctx, within)
	defer stop()
	out, err := exec.CommandContext(ctx, "journalctl", "--unit=faultkeep", "--lines=5000", "--no-pager", "--output=short-iso", "--quiet").Output()
	switch {
	case err != nil:
		return "", fmt.Errorf("no file is set for the log, and the system's journal can't be read (%w); set log.file in the config, or run this as root", err)
	case len(out) == 0:
		return "", errors.New("no file is set for the log, and the system's journal has nothing of faultkeep that this account may read; run this as root")
	}
	return string(out[max(0, len(out)-mostLog):]), nil
}

// end is the last part of a file, from the beginning of a line on.
func end(path string) (string, error) {
	info, err := os.Stat(path) // before opening, since opening a pipe would wait for a writer
	if err == nil && !info.Mode().IsRegular() {
		err = fmt.Errorf("%s is not a file", path)
	}
	if err != nil {
		return "", err
	}
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	from := max(0, info.Size()-mostLog)
	b, err := io.ReadAll(io.NewSectionReader(f, from, mostLog))
	if err != nil {
		return "", err
	}
	text := string(b)
	if from > 0 {
		_, text, _ = strings.Cut(text, "\n")
	}
	return text, nil
}
