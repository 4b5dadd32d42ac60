package main

import (
	"context"
	"log/slog"
	"net"
	"os"
	"strconv"
	"strings"
	"time"
)

// notifier tells systemd how faultkeep is, by the protocol of sd_notify(3).
// Where systemd didn't start it, it tells nobody.
type notifier struct {
	socket string        // "": nobody listens
	within time.Duration // systemd wants to hear WATCHDOG=1 this often; 0: not at all
}

func newNotifier(env func(string) string) notifier {
	n := notifier{socket: env("NOTIFY_SOCKET")}
	usec, err := strconv.ParseInt(env("WATCHDOG_USEC"), 10, 64)
	if pid := env("WATCHDOG_PID"); err == nil && usec > 0 && (pid == "" || pid == strconv.Itoa(os.Getpid())) {
		n.within = time.Duration(usec) * time.Microsecond
	}
	return n
}

// say sends states, one a line. What can't be sent is of no use to anybody else.
func (n notifier) say(states ...string) {
	if n.socket == "" {
		return
	}
	c, err := (&net.Dialer{Timeout: time.Second}).DialContext(context.Background(), "unixgram", n.socket)
	if err != nil {
		return
	}
	defer c.Close()
	_, _ = c.Write([]byte(strings.Join(states, "\n")))
}

// feed keeps the watchdog from biting until ctx ends, as long as stuck names
// nothing that has stopped making progress.
func (n notifier) feed(ctx context.Context, stuck func() []string, log *slog.Logger) {
	if n.within == 0 {
		return
	}
	tick := time.NewTicker(n.within / 3)
	defer tick.Stop()
	told := ""
	for {
		names := stuck()
		if len(names) == 0 {
			n.say("WATCHDOG=1")
			told = ""
		} else if all := strings.Join(names, ", "); all != told {
			told = all
			log.Error("watching hangs; systemd will start faultkeep again", "hangs", names)
			n.say("STATUS=Watching hangs: " + all)
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// reloading tells of a reload's beginning and end.
func (n notifier) reloading(done bool) {
	if done {
		n.say("READY=1")
	} else {
		n.say("RELOADING=1")
	}
}
