package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"slices"
	"time"

	"github.com/kardianos/service"
	"golang.org/x/sys/windows"
	"golang.org/x/sys/windows/svc"
	"golang.org/x/sys/windows/svc/mgr"

	"faultkeep/daemon/logs"
)

// usualAccount may do little on this machine and nothing on others.
const (
	usualAccount = `NT AUTHORITY\LocalService`
	localService = "*S-1-5-19" // its name differs from language to language, its SID doesn't
	whereLogs    = "The event viewer (Windows logs, Application) tells why"
)

func control() (service.Service, error) {
	return service.New(nothing{}, &service.Config{Name: serviceName})
}

// program is work as the service manager runs it.
type program struct {
	ctx  context.Context
	work func(context.Context, logs.Events) error
	stop context.CancelFunc
	done chan struct{}
	err  error
}

// Start returns at once; the manager waits for it.
func (p *program) Start(s service.Service) error {
	ctx, stop := context.WithCancel(p.ctx)
	p.stop, p.done = stop, make(chan struct{})
	// Windows' event log, where people look for why a service doesn't run. A
	// service that may not write there watches all the same.
	var events logs.Events
	if log, err := s.SystemLogger(nil); err == nil {
		events = log
	}
	go func() {
		defer close(p.done)
		p.err = p.work(ctx, events)
		if ctx.Err() != nil {
			return
		}
		// Nobody asked it to end. A process that is gone without having said
		// that it stopped is what the manager starts again.
		if p.err == nil {
			p.err = errors.New("watching ended by itself")
		}
		if events != nil { // a config that is wrong ends it before there is a log
			_ = events.Error("faultkeep ends and is started again: ", p.err.Error())
		}
		os.Exit(exitFailed)
	}()
	return nil
}

// stopsWithin is how long Windows waits for a service.
const stopsWithin = 4500 * time.Millisecond

// Stop ends the work; what isn't done in time is left to the next start, since
// nothing that was kept depends on a clean end.
func (p *program) Stop(service.Service) error {
	p.stop()
	select {
	case <-p.done:
		return p.err
	case <-time.After(stopsWithin):
		return nil
	}
}

// asService runs work under the service manager where that started us, and
// just runs it elsewhere.
func asService(ctx context.Context, work func(context.Context, logs.Events) error) error {
	if service.Interactive() {
		return work(ctx, nil)
	}
	s, err := service.New(&program{ctx: context.WithoutCancel(ctx), work: work}, &service.Config{Name: serviceName})
	if err != nil {
		return err
	}
	return s.Run()
}

// canInstall says early what would fail halfway.
func canInstall() error {
	if !windows.GetCurrentProcessToken().IsElevated() {
		return errors.New("installing a service needs the rights of an administrator; open the command prompt with \"Run as administrator\"")
	}
	return nil
}

func (c *installCommand) install(ctx context.Context, p plan, out output) (err error) {
	var undo []func()
	defer func() {
		if err != nil {
			for _, back := range slices.Backward(undo) {
				back()
			}
		}
	}()
	if _, err := os.Stat(p.Data); errors.Is(err, os.ErrNotExist) {
		if err := os.Mkdir(p.Data, 0o750); err != nil {
			return fmt.Errorf("the data folder can't be made: %w", err)
		}
		undo = append(undo, func() { _ = os.Remove(p.Data) })
		fmt.Fprintf(out.Out, "Made the data folder %s.\n", p.Data)
	}
	who := localService
	if p.Account != usualAccount {
		who = p.Account
	}
	if text, err := exec.CommandContext(ctx, "icacls", p.Data, "/grant", who+":(OI)(CI)M").CombinedOutput(); err != nil {
		return fmt.Errorf("%s can't be let write to %s: %w: %s", p.Account, p.Data, err, text)
	}
	renewed, err := renew(ctx)
	if err != nil {
		return err
	}
	s, err := service.New(nothing{}, c.registration(p))
	if err != nil {
		return err
	}
	if err := s.Install(); err != nil {
		return fmt.Errorf("Windows doesn't take the service: %w. Use a command prompt opened as administrator", err)
	}
	undo = append(undo, func() { _ = s.Uninstall() })
	if err := restartAlways(); err != nil {
		return fmt.Errorf("Windows can't be told to start the service again when it fails: %w", err)
	}
	if renewed {
		fmt.Fprintln(out.Out, "Stopped and removed the service as it was.")
	}
	fmt.Fprintf(out.Out, "Installed. It starts with the machine and runs as %s.\nStart it now with `faultkeep service start`.\n", p.Account)
	return nil
}

func (c *installCommand) registration(p plan) *service.Config {
	return &service.Config{Name: serviceName, DisplayName: serviceTitle, Executable: p.Binary, UserName: p.Account,
		Description: "Watches drives and keeps their fault recordings before they are erased. Reads only, unless its config allows more.",
		Arguments:   []string{"run", "--config", p.Config}, // absolute: a service begins in a system folder
		Option:      service.KeyValue{"DelayedAutoStart": c.DelayedStart}}
}

// renew removes an installed service, so that installing again is no error.
func renew(ctx context.Context) (bool, error) {
	now, err := look(ctx)
	if err != nil || !now.Installed {
		return false, err
	}
	return true, remove(ctx, now)
}

// restartAlways has the manager start the service again whenever it ends
// without having been asked to, also when it ended in an orderly way.
func restartAlways() error {
	return opened(windows.SC_MANAGER_CONNECT, windows.SERVICE_ALL_ACCESS, func(s *mgr.Service) error {
		again := mgr.RecoveryAction{Type: mgr.ServiceRestart, Delay: 3 * time.Second}
		day := uint32((24 * time.Hour).Seconds())
		return cmp.Or(s.SetRecoveryActions([]mgr.RecoveryAction{again, again, again}, day), s.SetRecoveryActionsOnNonCrashFailures(true))
	})
}

// opened does something with the installed service, with no more rights than needed.
func opened(manager, access uint32, do func(*mgr.Service) error) error {
	m, err := windows.OpenSCManager(nil, nil, manager)
	if err != nil {
		return err
	}
	defer windows.CloseServiceHandle(m)
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

func remove(_ context.Context, now state) error {
	s, err := control()
	if err != nil {
		return err
	}
	if now.Running {
		if err := s.Stop(); err != nil {
			return fmt.Errorf("the service doesn't stop, so it wasn't removed: %w", err)
		}
	}
	if err := s.Uninstall(); err != nil {
		return fmt.Errorf("the service can't be removed: %w. Use a command prompt opened as administrator", err)
	}
	return nil
}

// look asks the service manager.
func look(context.Context) (s state, err error) {
	err = opened(windows.SC_MANAGER_CONNECT, windows.SERVICE_QUERY_CONFIG|windows.SERVICE_QUERY_STATUS, func(o *mgr.Service) error {
		s.Installed = true
		c, err := o.Config()
		if err != nil {
			return err
		}
		s.AtBoot = c.StartType == mgr.StartAutomatic
		if args, err := windows.DecomposeCommandLine(c.BinaryPathName); err == nil {
			if i := slices.Index(args, "--config"); i >= 0 && i+1 < len(args) {
				s.Config = args[i+1]
			}
		}
		q, err := o.Query()
		s.Running = q.State == svc.Running || q.State == svc.StartPending
		s.PID = int(q.ProcessId)
		return err
	})
	if errors.Is(err, windows.ERROR_SERVICE_DOES_NOT_EXIST) {
		return state{}, nil
	}
	return s, err
}
