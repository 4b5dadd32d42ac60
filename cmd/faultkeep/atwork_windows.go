package main

import (
	"cmp"
	"context"
	"errors"
	"os"
	"strings"
	"time"
	"unsafe"

	"github.com/kardianos/service"
	"golang.org/x/sys/windows"
	"golang.org/x/sys/windows/svc"

	"faultkeep/daemon/logs"
)

// program is work as the service manager runs it.
type program struct {
	work   func(context.Context, logs.Events) error
	events func() logs.Events // Windows' event log, where people look for why a service doesn't run; nil where it may not write there
	died   func()             // ends the process
}

// stopsWithin is how long Windows is kept waiting at most; it gives five seconds.
const stopsWithin = 4500 * time.Millisecond

// Execute works until the manager wants it to end. What isn't done in time then
// is left to the next start, since nothing that was kept depends on a clean end.
func (p *program) Execute(_ []string, asked <-chan svc.ChangeRequest, tell chan<- svc.Status) (bool, uint32) {
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	done, events := make(chan error, 1), p.events()
	go func() { done <- p.work(ctx, events) }()
	tell <- svc.Status{State: svc.Running, Accepts: svc.AcceptStop | svc.AcceptShutdown}
	for {
		select {
		case err := <-done:
			// Nobody asked it to end. A process that is gone without having said
			// that it stopped is what the manager starts again.
			if events != nil {
				_ = events.Error("faultkeep ends and is started again: ", cmp.Or(err, errors.New("watching ended by itself")).Error())
			}
			p.died()
			return true, exitFailed
		case r := <-asked:
			switch r.Cmd {
			case svc.Interrogate:
				tell <- r.CurrentStatus
			case svc.Stop, svc.Shutdown:
				tell <- svc.Status{State: svc.StopPending, WaitHint: uint32(stopsWithin.Milliseconds())}
				stop()
				select {
				case <-done: //nolint:errcheck // what fails while it ends is in the log
				case <-time.After(stopsWithin):
				}
				return false, 0
			}
		}
	}
}

// asService runs work under the service manager where that started us, and
// just runs it elsewhere. A manager refuses one that it hasn't started, so
// that no other program of its name can be mistaken for it. It gives a service no
// variables of its own, so they are read here.
func asService(ctx context.Context, path string, work func(context.Context, logs.Events) error) error {
	if !byManager() {
		return work(ctx, nil)
	}
	managed := func(ctx context.Context, events logs.Events) error {
		if err := readEnvironment(plan{Config: path}.environment()); err != nil {
			return err
		}
		return work(ctx, events)
	}
	err := svc.Run(serviceName, &program{work: managed, events: eventLog, died: func() { os.Exit(exitFailed) }})
	if errors.Is(err, windows.ERROR_FAILED_SERVICE_CONTROLLER_CONNECT) {
		return work(ctx, nil)
	}
	return err
}

// byManager tells whether the program that started us bears the service
// manager's name. The library also wants it to be of session 0, of which wine has none.
func byManager() bool {
	all, err := windows.CreateToolhelp32Snapshot(windows.TH32CS_SNAPPROCESS, 0)
	if err != nil {
		return !service.Interactive()
	}
	defer func() { _ = windows.CloseHandle(all) }()
	parent := uint32(os.Getppid())
	one := windows.ProcessEntry32{Size: uint32(unsafe.Sizeof(windows.ProcessEntry32{}))}
	for err = windows.Process32First(all, &one); err == nil; err = windows.Process32Next(all, &one) {
		if one.ProcessID == parent {
			return strings.EqualFold(windows.UTF16ToString(one.ExeFile[:]), "services.exe")
		}
	}
	return !service.Interactive()
}

func eventLog() logs.Events {
	s, err := service.New(nothing{}, &service.Config{Name: serviceName})
	if err != nil {
		return nil
	}
	log, err := s.SystemLogger(nil)
	if err != nil {
		return nil
	}
	return log
}
