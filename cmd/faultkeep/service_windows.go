package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"time"
	"unsafe"

	"github.com/kardianos/service"
	"golang.org/x/sys/windows"
	"golang.org/x/sys/windows/svc"
	"golang.org/x/sys/windows/svc/eventlog"
	"golang.org/x/sys/windows/svc/mgr"
)

const (
	usualAccount = virtualAccount
	whereLogs    = "The event viewer (Windows logs, Application, source faultkeep) tells why"
)

// control is the service as the library steers it, but for its end.
func control() (service.Service, error) {
	s, err := service.New(nothing{}, &service.Config{Name: serviceName})
	return stopper{s}, err
}

// stopper waits for the end for a while only, which the library doesn't.
type stopper struct{ service.Service }

func (stopper) Stop() error {
	return opened(windows.SC_MANAGER_CONNECT, windows.SERVICE_STOP|windows.SERVICE_QUERY_STATUS, func(s *mgr.Service) error {
		now, err := s.Control(svc.Stop)
		if errors.Is(err, windows.ERROR_SERVICE_NOT_ACTIVE) {
			return nil
		}
		for end := time.Now().Add(20 * time.Second); err == nil && now.State != svc.Stopped; now, err = s.Query() {
			if time.Now().After(end) {
				return errors.New("it was told to, and hasn't after 20 s")
			}
			time.Sleep(50 * time.Millisecond)
		}
		return err
	})
}

// canInstall says early what would fail halfway.
func canInstall() error {
	if !windows.GetCurrentProcessToken().IsElevated() {
		return errors.New("installing and removing a service needs the rights of an administrator; open the command prompt with \"Run as administrator\"")
	}
	return nil
}

func (c *installCommand) registration(p plan) registration {
	r := registration{plan: p, AtOnce: c.NoDelay, Own: true}
	if _, err := os.Stat(p.environment()); err == nil {
		r.Secrets = append(slices.Clone(r.Secrets), p.environment())
	}
	entries, err := os.ReadDir(p.Data)
	if err != nil {
		r.Own = errors.Is(err, os.ErrNotExist)
	}
	for _, e := range entries {
		r.Own = r.Own && e.Type().IsRegular() && ours(e.Name())
	}
	return r
}

func (c *installCommand) described(p plan) (string, error) { return c.registration(p).words(), nil }

func (c *installCommand) minds(p plan) []string { return c.registration(p).minds() }

// install does everything in an order in which each step can be taken back.
func (c *installCommand) install(ctx context.Context, p plan, out output) (err error) {
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

	r := c.registration(p)
	now, err := look(ctx)
	if err != nil {
		return err
	}
	back, lacks, err := r.register(now)
	if err != nil {
		return fmt.Errorf("the service isn't taken by Windows: %w. It is as it was", err)
	}
	undo = append(undo, back)
	for _, folder := range append([]string{p.Data}, p.Makes...) {
		if err := os.Mkdir(folder, 0o750); err == nil {
			undo = append(undo, func() { _ = os.Remove(folder) }) // only where it is empty still
			did("Made the folder %s.", folder)
		} else if !errors.Is(err, os.ErrExist) {
			return fmt.Errorf("the folder %s can't be made: %w. The service is as it was", folder, err)
		}
	}
	// The account is there once the service is, and not before.
	for _, g := range r.grants() {
		info, err := os.Stat(g.Path)
		if err != nil {
			did("%s isn't there yet. Once it is, install again, so that the service may use it.", g.Path)
			continue
		}
		g.Folder = info.IsDir()
		if err := icacls(ctx, g.icacls(p.Account)); err != nil {
			return fmt.Errorf("%s can't be given the right to %s: %w. The service is as it was", p.Account, g.Path, err)
		}
		if !now.Installed {
			undo = append(undo, func() {
				_ = icacls(context.WithoutCancel(ctx), []string{g.Path, "/remove:g", trustee(p.Account), "/q"})
			})
		}
	}
	when := "a little after the machine has started"
	if c.NoDelay {
		when = "with the machine"
	}
	did("Installed. It starts %s, runs as %s, and is started again %v after it ended, whatever ended it.", when, p.Account, restartsAfter)
	for _, what := range lacks {
		did("Mind: this Windows doesn't know how to %s.", what)
	}
	if now.Running {
		did("It is running as it was before; `faultkeep service stop` and `start` make changes count.")
	} else {
		did("Start it now with `faultkeep service start`.")
	}
	return nil
}

// register has Windows know the service, or know it better; back undoes that.
// lacks is what this Windows can't be told.
func (r registration) register(now state) (back func(), lacks []string, err error) {
	if now.Installed {
		var was registered
		err = opened(windows.SC_MANAGER_CONNECT, windows.SERVICE_QUERY_CONFIG, func(s *mgr.Service) (err error) {
			was, err = asRegistered(s)
			return err
		})
		if err != nil {
			return nil, nil, err
		}
		back = func() { _ = was.put() }
		if err = (registered{r.commandLine(), r.Account, mgr.StartAutomatic}).put(); err == nil {
			err = ignoring(eventlog.InstallAsEventCreate(serviceName, eventlog.Error|eventlog.Warning|eventlog.Info), "exists")
		}
	} else {
		var s service.Service
		s, err = service.New(nothing{}, &service.Config{Name: serviceName, DisplayName: serviceTitle, Executable: r.Binary, UserName: r.Account,
			Description: serviceText, Arguments: r.arguments()})
		if err != nil {
			return nil, nil, err
		}
		back = func() { _ = unregister() }
		err = s.Install()
	}
	if err == nil {
		lacks, err = r.settle()
	}
	if err != nil {
		back() // the library leaves a part of it
	}
	return back, lacks, err
}

// ignoring passes over an error that says so.
func ignoring(err error, text string) error {
	if err != nil && strings.Contains(err.Error(), text) {
		return nil
	}
	return err
}

// registered is of an installed service what installing it again changes.
type registered struct {
	command, account string
	start            uint32
}

func asRegistered(s *mgr.Service) (r registered, err error) {
	b := make([]byte, 8<<10)                                    // the most that there can be
	c := (*windows.QUERY_SERVICE_CONFIG)(unsafe.Pointer(&b[0])) //nolint:gosec // as the call wants it
	needed := uint32(0)
	if err = windows.QueryServiceConfig(s.Handle, c, uint32(len(b)), &needed); err != nil {
		return r, err
	}
	return registered{windows.UTF16PtrToString(c.BinaryPathName), windows.UTF16PtrToString(c.ServiceStartName), c.StartType}, nil
}

func (r registered) put() error {
	return opened(windows.SC_MANAGER_CONNECT, windows.SERVICE_CHANGE_CONFIG, func(s *mgr.Service) error {
		command, err := windows.UTF16PtrFromString(r.command)
		if err != nil {
			return err
		}
		account, err := windows.UTF16PtrFromString(r.account)
		if err != nil {
			return err
		}
		const same = windows.SERVICE_NO_CHANGE
		return windows.ChangeServiceConfig(s.Handle, same, r.start, same, command, nil, nil, nil, account, nil, nil)
	})
}

// settle has the manager start the service when it should, and again whenever
// it ends without having been asked to, also when it ended in an orderly way.
func (r registration) settle() (lacks []string, err error) {
	later := windows.SERVICE_DELAYED_AUTO_START_INFO{}
	if !r.AtOnce {
		later.IsDelayedAutoStartUp = 1
	}
	again := mgr.RecoveryAction{Type: mgr.ServiceRestart, Delay: restartsAfter}
	err = opened(windows.SC_MANAGER_CONNECT, windows.SERVICE_ALL_ACCESS, func(s *mgr.Service) error {
		for _, step := range []struct {
			what string
			err  error
		}{
			{"start again what failed", s.SetRecoveryActions([]mgr.RecoveryAction{again, again, again}, uint32(forgetsAfter.Seconds()))},
			{"start again what ended in an orderly way", s.SetRecoveryActionsOnNonCrashFailures(true)},
			{"start a service a little later", windows.ChangeServiceConfig2(s.Handle, windows.SERVICE_CONFIG_DELAYED_AUTO_START_INFO, (*byte)(unsafe.Pointer(&later)))}, //nolint:gosec // as the call wants it
		} {
			if errors.Is(step.err, windows.ERROR_INVALID_LEVEL) {
				lacks = append(lacks, step.what) // wine's, if none of Windows that is still in use
			} else if step.err != nil {
				return fmt.Errorf("it can't be told to %s: %w", step.what, step.err)
			}
		}
		return nil
	})
	return lacks, err
}

// icacls changes who may do what with a file.
func icacls(ctx context.Context, args []string) error {
	folder, err := windows.GetSystemDirectory()
	if err != nil {
		return err
	}
	if text, err := exec.CommandContext(ctx, filepath.Join(folder, "icacls.exe"), args...).CombinedOutput(); err != nil {
		return fmt.Errorf("icacls: %w: %s", err, bytes.TrimSpace(text))
	}
	return nil
}

// opened does something with the installed service, with no more rights than needed.
func opened(manager, access uint32, do func(*mgr.Service) error) error {
	m, err := windows.OpenSCManager(nil, nil, manager)
	if err != nil {
		return err
	}
	defer func() { _ = windows.CloseServiceHandle(m) }()
	name, err := windows.UTF16PtrFromString(serviceName)
	if err != nil {
		return err
	}
	h, err := windows.OpenService(m, name, access)
	if err != nil {
		return err
	}
	s := &mgr.Service{Name: serviceName, Handle: h}
	defer s.Close()
	return do(s)
}

// unregister has Windows forget the service and the source of its events, as
// much as there is of both.
func unregister() error {
	err := opened(windows.SC_MANAGER_CONNECT, windows.DELETE, (*mgr.Service).Delete)
	if errors.Is(err, windows.ERROR_SERVICE_DOES_NOT_EXIST) || errors.Is(err, windows.ERROR_SERVICE_MARKED_FOR_DELETE) {
		err = nil
	}
	source := eventlog.Remove(serviceName)
	if errors.Is(source, windows.ERROR_FILE_NOT_FOUND) {
		source = nil
	}
	return cmp.Or(err, source)
}

// remove stops and removes the service.
func remove(_ context.Context, now state) error {
	if err := canInstall(); err != nil {
		return err
	}
	if now.Running || now.Restarting {
		if err := (stopper{}).Stop(); err != nil {
			return fmt.Errorf("the service doesn't stop, so it wasn't removed: %w", err)
		}
	}
	if err := unregister(); err != nil {
		return fmt.Errorf("the service can't be removed: %w", err)
	}
	return nil
}

// look asks the service manager.
func look(context.Context) (s state, err error) {
	err = opened(windows.SC_MANAGER_CONNECT, windows.SERVICE_QUERY_CONFIG|windows.SERVICE_QUERY_STATUS, func(o *mgr.Service) error {
		s.Installed = true
		c, err := asRegistered(o)
		if err != nil {
			return err
		}
		s.AtBoot = c.start == mgr.StartAutomatic
		if args, err := windows.DecomposeCommandLine(c.command); err == nil {
			if i := slices.Index(args, "--config"); i >= 0 && i+1 < len(args) {
				s.Config = args[i+1]
			}
		}
		q, err := o.Query()
		s.Running = q.State == svc.Running || q.State == svc.StartPending
		// A process that went without saying that it stopped is started again.
		s.Restarting = q.State == svc.Stopped && q.Win32ExitCode == uint32(windows.ERROR_PROCESS_ABORTED)
		s.PID = int(q.ProcessId)
		if s.Running {
			s.Since = begun(q.ProcessId)
		}
		return err
	})
	if errors.Is(err, windows.ERROR_SERVICE_DOES_NOT_EXIST) {
		return state{}, nil
	}
	return s, err
}

// begun tells when a process began; "" where that may not be known.
func begun(pid uint32) string {
	h, err := windows.OpenProcess(windows.PROCESS_QUERY_LIMITED_INFORMATION, false, pid)
	if err != nil {
		return ""
	}
	defer func() { _ = windows.CloseHandle(h) }()
	var from, to, kernel, user windows.Filetime
	if windows.GetProcessTimes(h, &from, &to, &kernel, &user) != nil {
		return ""
	}
	return time.Unix(0, from.Nanoseconds()).Format(time.RFC3339)
}
