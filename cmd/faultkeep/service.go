package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"time"

	"github.com/kardianos/service"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/certificate"
	"faultkeep/daemon/config"
)

type serviceCommand struct {
	Install   installCommand   `cmd:"" help:"Install the service, so that it starts with the machine. Installing again renews it."`
	Uninstall uninstallCommand `cmd:"" help:"Stop and remove the service. What was kept stays."`
	Start     startCommand     `cmd:"" help:"Start the service."`
	Stop      stopCommand      `cmd:"" help:"Stop the service."`
	Status    statusCommand    `cmd:"" help:"Tell whether the service is installed and runs. Exit code 1 where it doesn't."`
}

type installCommand struct {
	configFlag
	Account string `name:"user" placeholder:"NAME" help:"Account to run as; it must exist. Left out: faultkeep, made if missing. On Windows one without a password; left out: NT SERVICE\\faultkeep, which Windows makes."`
	NoDelay bool   `help:"Windows: start with the machine at once, not the two minutes later that leave it time for itself."`
	DryRun  bool   `help:"Print what would be installed, and change nothing."`
}

// Run installs. A failed install leaves nothing behind.
func (c *installCommand) Run(ctx context.Context, out output) error {
	if !c.DryRun {
		if err := canInstall(); err != nil {
			return err
		}
	}
	path, err := c.path()
	if err != nil {
		return err
	}
	if path, err = filepath.Abs(path); err != nil {
		return err
	}
	if err := readEnvironment(plan{Config: path}.environment()); err != nil {
		return err
	}
	loaded, err := loadConfig(path)
	if err != nil {
		return err
	}
	binary, err := os.Executable()
	if err != nil {
		return fmt.Errorf("this program's own path isn't known: %w", err)
	}
	p, err := c.plan(loaded, binary)
	if err != nil {
		return err
	}
	for _, w := range c.minds(p) {
		fmt.Fprintln(out.Err, "Mind:", w+".")
	}
	if c.DryRun {
		text, err := c.described(p)
		if err == nil {
			_, err = fmt.Fprint(out.Out, text)
		}
		return err
	}
	return c.install(ctx, p, out)
}

func (c *installCommand) plan(loaded *config.Loaded, binary string) (plan, error) {
	if strings.Contains(filepath.ToSlash(binary), "/go-build") {
		return plan{}, usageError{errors.New("this program was built by `go run` and is gone when it ends. Build it to stay, as in `go build -o /usr/local/bin/faultkeep ./cmd/faultkeep`, and install with that")}
	}
	p := plan{Binary: binary, Config: loaded.Path, Data: loaded.Config.Data, Account: cmp.Or(c.Account, usualAccount)}
	if err := fit(runtime.GOOS, p.Account); err != nil {
		return p, usageError{err}
	}
	p.Listens = loaded.Listens()
	for _, address := range p.Listens {
		if _, port, err := net.SplitHostPort(address); err == nil {
			n, err := strconv.Atoi(port)
			p.LowPort = p.LowPort || err == nil && n > 0 && n < 1024
		}
	}
	p.Reads, p.Writes, p.Makes, p.Secrets = loaded.Reads(), loaded.Writes(), loaded.Makes(), loaded.Secrets()
	return p, nil
}

// fit tells why an account is none to run as.
func fit(goos, account string) error {
	odd := "%{}"
	if goos == "windows" {
		switch strings.ToLower(account) {
		case "localsystem", `.\localsystem`, "system", `nt authority\system`, `nt authority\localsystem`:
			return errors.New("faultkeep needs no rights of the system and isn't installed with them. Name another account with --user, or none")
		}
		account = strings.ReplaceAll(account, `\`, "/") // between domain and name
		odd += ":*?<>|"
	}
	switch account {
	case "root", "0":
		return errors.New("faultkeep needs no rights of root and isn't installed with them. Name another account with --user, or none")
	case "nobody": // others use it too, and could read what was kept
		return errors.New("the account nobody is shared with other programs. Name one of faultkeep's own with --user, or none")
	}
	if strings.ContainsFunc(account, awkward) || strings.ContainsAny(account, odd) {
		return fmt.Errorf("--user %q is no account's name", account)
	}
	return nil
}

// readEnvironment takes over the variables that the service will find, so that
// a config which needs them can be checked.
func readEnvironment(path string) error {
	b, err := os.ReadFile(path)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("the service's environment can't be read: %w", err)
	}
	for _, l := range strings.Split(string(b), "\n") {
		l = strings.TrimSpace(l)
		name, value, ok := strings.Cut(l, "=")
		if !ok || strings.HasPrefix(l, "#") || strings.HasPrefix(l, ";") {
			continue
		}
		if n := len(value); n > 1 && (value[0] == '"' || value[0] == '\'') && value[n-1] == value[0] {
			value = value[1 : n-1]
		}
		if err := os.Setenv(strings.TrimSpace(name), value); err != nil {
			return fmt.Errorf("%s: %q can't be set: %w", path, name, err)
		}
	}
	return nil
}

// nothing satisfies the library where a service is only controlled, not run.
type nothing struct{}

func (nothing) Start(service.Service) error { return nil }
func (nothing) Stop(service.Service) error  { return nil }

type uninstallCommand struct {
	configFlag
	Purge bool `help:"Remove what was kept too: captures, ledger, all of it. Nothing brings it back."`
}

// Run removes the service, and only with --purge what was kept.
func (c *uninstallCommand) Run(ctx context.Context, out output) error {
	now, err := look(ctx)
	if err != nil {
		return err
	}
	now.fill(c.Config)
	if !now.Installed {
		fmt.Fprintln(out.Out, "The service isn't installed; there is nothing to remove.")
		if !c.Purge {
			return nil
		}
	} else {
		if err := remove(ctx, now); err != nil {
			return err
		}
		fmt.Fprintln(out.Out, "Removed: faultkeep no longer starts with this machine.")
	}
	if c.Purge {
		if now.Data == "" {
			return usageError{errors.New("where the data folder is isn't known, so nothing in it was removed. Name the config with --config")}
		}
		left, err := purge(now.Data)
		if err != nil {
			return fmt.Errorf("what was kept can't all be removed: %w", err)
		}
		fmt.Fprintf(out.Out, "Removed all that was kept in %s.\n", now.Data)
		if left > 0 {
			fmt.Fprintf(out.Out, "The folder stays, with %s in it that faultkeep didn't write.\n", counted(left, "file"))
		}
	} else if now.Data != "" {
		fmt.Fprintf(out.Out, "All that was kept stays in %s; `faultkeep list --data` reads it.\n", now.Data)
	}
	if now.Config != "" {
		fmt.Fprintf(out.Out, "The config %s stays too.\n", now.Config)
	}
	return nil
}

// ours tells the files that faultkeep writes into its data folder from others.
func ours(name string) bool {
	return strings.HasPrefix(name, archive.StoreFile) || strings.HasPrefix(name, "daemon.json") || name == archive.FailureFile || name == certificate.File
}

// purge removes what faultkeep keeps in its data folder, and the folder where
// nothing else is left in it; it tells how much that is.
func purge(folder string) (left int, err error) {
	entries, err := os.ReadDir(folder)
	if errors.Is(err, os.ErrNotExist) {
		return 0, nil
	}
	for _, e := range entries {
		if !e.Type().IsRegular() || !ours(e.Name()) {
			left++
			continue
		}
		err = errors.Join(err, os.Remove(filepath.Join(folder, e.Name())))
	}
	if left == 0 && err == nil {
		err = os.Remove(folder)
	}
	return left, err
}

type startCommand struct{ configFlag }

// settles is how long a service that starts is watched, so that one that ends
// again at once isn't reported as running.
const settles = 2 * time.Second

// Run starts the service and looks whether it stays.
func (c *startCommand) Run(ctx context.Context, out output) error {
	now, err := look(ctx)
	switch {
	case err != nil:
		return err
	case !now.Installed:
		return errors.New("the service isn't installed. `faultkeep service install --config FILE` does that")
	case now.Running:
		fmt.Fprintln(out.Out, "The service runs already.")
		return nil
	}
	s, err := control()
	if err != nil {
		return err
	}
	if err := s.Start(); err != nil {
		return fmt.Errorf("the service doesn't start: %w. %s", err, whereLogs)
	}
	select {
	case <-ctx.Done():
	case <-time.After(settles):
	}
	if now, err = look(ctx); err != nil {
		return err
	}
	now.fill(c.Config)
	if !now.Running || now.Restarts > 0 {
		return fmt.Errorf("the service started and ended again at once. %s", now.why())
	}
	fmt.Fprintln(out.Out, "Started.", now.page())
	return nil
}

type stopCommand struct{ configFlag }

// Run stops the service.
func (c *stopCommand) Run(ctx context.Context, out output) error {
	now, err := look(ctx)
	switch {
	case err != nil:
		return err
	case !now.Installed:
		return errors.New("the service isn't installed")
	case !now.Running && !now.Restarting:
		fmt.Fprintln(out.Out, "The service doesn't run.")
		return nil
	}
	s, err := control()
	if err == nil {
		err = s.Stop()
	}
	if err != nil {
		return fmt.Errorf("the service doesn't stop: %w", err)
	}
	fmt.Fprintln(out.Out, "Stopped. No drive is being watched until it is started again.")
	return nil
}
