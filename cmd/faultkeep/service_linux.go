package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"

	"github.com/kardianos/service"

	"faultkeep/daemon/alert"
	"faultkeep/daemon/logs"
)

// usualAccount is made by install where it is missing. A fixed account and not
// one that the system makes up at each start, so that a technician can give it
// files to read and the data folder may be anywhere.
const usualAccount = "faultkeep"

const (
	unitFile  = "/etc/systemd/system/" + serviceName + ".service"
	whereLogs = "`journalctl -u " + serviceName + " -n 30` tells why"
)

// control is the service as the library steers it.
func control() (service.Service, error) {
	if service.Platform() != "linux-systemd" {
		return nil, noService()
	}
	return service.New(nothing{}, &service.Config{Name: serviceName})
}

// asService runs work; systemd needs nothing more than a process.
func asService(ctx context.Context, _ string, work func(context.Context, logs.Events) error) error {
	return work(ctx, nil)
}

// canInstall says early what would fail halfway.
func canInstall() error {
	if service.Platform() != "linux-systemd" {
		return noService()
	}
	if os.Geteuid() != 0 {
		return errors.New("installing and removing a service needs root; put sudo before it")
	}
	return nil
}

func (*installCommand) described(p plan) (string, error) { return p.unit() }

func (*installCommand) minds(p plan) []string { return p.warnings() }

// install does everything in an order in which each step can be taken back.
func (c *installCommand) install(ctx context.Context, p plan, out output) (err error) {
	unit, err := p.unit()
	if err != nil {
		return err
	}
	var undo []func()
	var said bytes.Buffer // told only once it is true for good
	defer func() {
		if err == nil {
			_, err = said.WriteTo(out.Out)
		} else {
			for _, back := range slices.Backward(undo) {
				back()
			}
		}
	}()
	did := func(format string, args ...any) { fmt.Fprintf(&said, format+"\n", args...) }

	account, made, err := ensureAccount(ctx, p.Account, c.Account != "")
	if err != nil {
		return err
	}
	if made {
		undo = append(undo, func() { _ = exec.Command(tool("userdel"), p.Account).Run() })
		did("Made the account %s, which nobody can log in with.", p.Account)
	}
	for _, folder := range append([]string{p.Data}, missing(p.Makes)...) {
		was, err := giveData(folder, account)
		if err != nil {
			return fmt.Errorf("the folder %s can't be given to %s: %w", folder, p.Account, err)
		}
		if was {
			undo = append(undo, func() { _ = os.Remove(folder) }) // only where it is empty still
			did("Made the folder %s.", folder)
		}
	}
	if err := tryAs(ctx, p, account); err != nil {
		return err
	}
	old, err := os.ReadFile(unitFile)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	if err := writeUnit(p, unit, old); err != nil {
		return err
	}
	if bytes.Equal(old, []byte(unit)) {
		did("The service was installed like this already.")
	} else {
		did("Installed %s. It starts with the machine and runs as %s.", unitFile, p.Account)
	}
	if now, err := look(ctx); err == nil && now.Running {
		did("It is running as it was before; `faultkeep service stop` and `start` make changes count.")
		return nil
	}
	did("Start it now with `faultkeep service start`.")
	return nil
}

// writeUnit has the library write and enable the unit. It refuses to write
// over one and leaves a half-installed one behind when it fails, so both are
// seen to here.
func writeUnit(p plan, unit string, old []byte) (err error) {
	s, err := service.New(nothing{}, &service.Config{Name: serviceName, Executable: p.Binary, Option: service.KeyValue{"SystemdScript": unit}})
	if err != nil {
		return err
	}
	if err := os.Remove(unitFile); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	if err = s.Install(); err == nil {
		return nil
	}
	if old == nil {
		_ = exec.Command("systemctl", "disable", serviceName).Run()
		_ = os.Remove(unitFile)
	} else { // what starts it with the machine leads to the same file still
		_ = os.WriteFile(unitFile, old, 0o644)
	}
	_ = exec.Command("systemctl", "daemon-reload").Run()
	return fmt.Errorf("systemd doesn't take the service: %w. All is as it was", err)
}

// owner is an account by its numbers.
type owner struct{ uid, gid int }

// ensureAccount finds the account, or makes the usual one.
func ensureAccount(ctx context.Context, name string, named bool) (o owner, made bool, err error) {
	u, err := user.Lookup(name)
	var unknown user.UnknownUserError
	if errors.As(err, &unknown) && !named {
		shell := "/usr/sbin/nologin"
		if _, err := os.Stat(shell); err != nil {
			shell = "/bin/false"
		}
		cmd := exec.CommandContext(ctx, tool("useradd"), "--system", "--user-group", "--no-create-home", "--home-dir", "/nonexistent", "--shell", shell, "--comment", "faultkeep", name)
		if text, err := cmd.CombinedOutput(); err != nil {
			return o, false, fmt.Errorf("the account %s can't be made: %w %s. Make it, or name another with --user", name, err, bytes.TrimSpace(text))
		}
		made = true
		u, err = user.Lookup(name)
	}
	if err != nil {
		return o, made, fmt.Errorf("there is no account %s: %w", name, err)
	}
	uid, err1 := strconv.Atoi(u.Uid)
	gid, err2 := strconv.Atoi(u.Gid)
	if err := errors.Join(err1, err2); err != nil {
		return o, made, err
	}
	if uid == 0 {
		return o, made, usageError{fmt.Errorf("--user %s has the rights of root, which faultkeep doesn't need", name)}
	}
	return owner{uid, gid}, made, nil
}

// tool finds a program that may lie where only root looks.
func tool(name string) string {
	if path, err := exec.LookPath(name); err == nil {
		return path
	}
	return filepath.Join("/usr/sbin", name)
}

// missing are the folders that aren't there. What is there belongs to somebody,
// who may have left other files in it.
func missing(folders []string) (out []string) {
	for _, folder := range folders {
		if _, err := os.Lstat(folder); errors.Is(err, os.ErrNotExist) {
			out = append(out, folder)
		}
	}
	return out
}

// giveData makes the data folder, or takes over one that holds nothing but
// what faultkeep wrote. A folder with anything else in it is left as it is.
func giveData(folder string, o owner) (made bool, err error) {
	entries, err := os.ReadDir(folder)
	if errors.Is(err, os.ErrNotExist) {
		if err := os.Mkdir(folder, 0o750); err != nil {
			return false, err
		}
		return true, os.Lchown(folder, o.uid, o.gid)
	}
	if err != nil {
		return false, err
	}
	for _, e := range entries {
		if !e.Type().IsRegular() || !ours(e.Name()) {
			return false, nil
		}
	}
	for _, e := range entries {
		if err := os.Lchown(filepath.Join(folder, e.Name()), o.uid, o.gid); err != nil {
			return false, err
		}
	}
	return false, os.Chown(folder, o.uid, o.gid)
}

// tryAs checks the config as the account that will run it: it may not be able
// to read what root can.
func tryAs(ctx context.Context, p plan, o owner) error {
	cmd := exec.CommandContext(ctx, p.Binary, "check", "--config", p.Config)
	cmd.Dir = "/"
	if len(p.Secrets) > 0 { // as systemd will hand them over
		folder, err := handOver(p.Secrets, o)
		if folder != "" {
			defer func() { _ = os.RemoveAll(folder) }()
		}
		if err != nil {
			return fmt.Errorf("a secret can't be handed to %s: %w", p.Account, err)
		}
		cmd.Env = append(os.Environ(), "CREDENTIALS_DIRECTORY="+folder)
	}
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: uint32(o.uid), Gid: uint32(o.gid)}}
	var said bytes.Buffer
	cmd.Stderr = &said
	err := cmd.Run()
	if err == nil {
		return nil
	}
	why := strings.TrimSpace(said.String())
	if why == "" {
		why = err.Error()
	}
	return fmt.Errorf("the account %s can't run faultkeep with this config:\n%s\nLet it read the program, the config and what that names, and write the data folder (chown -R %s: %s). Nothing was changed", p.Account, why, p.Account, p.Data)
}

// handOver copies secrets into a folder that only the account can read. The
// folder must be removed, whatever the error.
func handOver(secrets []string, o owner) (folder string, err error) {
	if folder, err = os.MkdirTemp("", "faultkeep-"); err != nil {
		return "", err
	}
	for _, path := range secrets {
		b, err := os.ReadFile(path)
		if err != nil {
			return folder, err
		}
		to := filepath.Join(folder, alert.Credential(path))
		if err := errors.Join(os.WriteFile(to, b, 0o400), os.Chown(to, o.uid, o.gid)); err != nil {
			return folder, err
		}
	}
	return folder, os.Chown(folder, o.uid, o.gid)
}

// remove stops and removes the service.
func remove(_ context.Context, now state) error {
	if err := canInstall(); err != nil {
		return err
	}
	s, err := control()
	if err != nil {
		return err
	}
	if now.Running || now.Restarting {
		if err := s.Stop(); err != nil {
			return fmt.Errorf("the service doesn't stop, so it wasn't removed: %w", err)
		}
	}
	if _, err := os.Stat(unitFile); errors.Is(err, os.ErrNotExist) { // the package's own, which leaves with the package
		if text, err := exec.Command("systemctl", "disable", serviceName).CombinedOutput(); err != nil {
			return fmt.Errorf("the service can't be kept from starting with the machine: %w: %s", err, bytes.TrimSpace(text))
		}
	} else if err := s.Uninstall(); err != nil {
		return fmt.Errorf("the service can't be removed: %w", err)
	}
	_ = exec.Command("systemctl", "reset-failed", serviceName).Run() // forgets it, where it had failed
	return nil
}

// look asks systemd.
func look(ctx context.Context) (state, error) {
	if service.Platform() != "linux-systemd" {
		return state{}, noService()
	}
	b, err := exec.CommandContext(ctx, "systemctl", "show", serviceName+".service",
		"--property=LoadState,ActiveState,SubState,UnitFileState,MainPID,NRestarts,ActiveEnterTimestamp,FragmentPath").Output()
	if err != nil {
		return state{}, fmt.Errorf("systemd can't be asked: %w", err)
	}
	s := stateOf(string(b))
	if unit, err := os.ReadFile(valueOf(string(b), "FragmentPath")); err == nil {
		s.Config, s.Data = noted(string(unit))
	}
	return s, nil
}

// valueOf is what `systemctl show` says of one property.
func valueOf(shown, property string) string {
	_, rest, _ := strings.Cut("\n"+shown, "\n"+property+"=")
	value, _, _ := strings.Cut(rest, "\n")
	return value
}

// stateOf reads what `systemctl show` says.
func stateOf(shown string) (s state) {
	v := func(property string) string { return valueOf(shown, property) }
	// A package brings a unit that is no service of this machine until somebody
	// asks for it: installed is one that starts with the machine, or runs.
	there := v("LoadState") != "" && v("LoadState") != "not-found"
	packaged := strings.HasPrefix(v("FragmentPath"), "/usr/lib/") || strings.HasPrefix(v("FragmentPath"), "/lib/")
	s.Installed = there && (!packaged || v("UnitFileState") == "enabled" || v("ActiveState") != "inactive")
	s.AtBoot = v("UnitFileState") == "enabled"
	// Whatever is neither up nor down is on its way up again, also in the moment
	// between two tries.
	s.Restarting = v("ActiveState") == "activating" || v("ActiveState") == "deactivating"
	s.Running = v("ActiveState") == "active" || v("ActiveState") == "reloading"
	s.PID, _ = strconv.Atoi(v("MainPID"))
	s.Restarts, _ = strconv.Atoi(v("NRestarts"))
	if s.Running {
		s.Since = v("ActiveEnterTimestamp")
	}
	return s
}
