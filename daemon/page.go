package daemon

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"sync/atomic"
	"time"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/certificate"
	"faultkeep/daemon/config"
	"faultkeep/daemon/login"
	"faultkeep/daemon/web"
)

// page is what the page is made of. A reload exchanges the handler; requests
// that are under way end with the one that they began with.
type page struct {
	options web.Options // of all handlers
	desk    *login.Desk
	handler atomic.Pointer[http.Handler]
}

func (p *page) ServeHTTP(w http.ResponseWriter, r *http.Request) { (*p.handler.Load()).ServeHTTP(w, r) }

// turn makes the page one of the config: its users, the names under which it
// may be asked for, its time zone. Sessions of users that are the same go on.
func (p *page) turn(l *config.Loaded) (err error) {
	o := p.options
	o.Site, o.Zone, o.Hosts = l.Config.Site, l.Location, l.Config.Web.Hosts()
	desk := p.desk
	switch users := l.Config.Web.Users; {
	case len(users) == 0:
		desk = nil
	case desk == nil:
		desk, err = login.New(users)
	default:
		desk, err = desk.With(users)
	}
	if err != nil {
		return err
	}
	p.desk, o.Login = desk, desk
	h := web.New(o)
	p.handler.Store(&h)
	return nil
}

// pageOf is all of the config that the page shows or goes by.
func pageOf(l *config.Loaded) any {
	return []any{l.Config.Site, l.Location.String(), l.Config.Web}
}

// serve opens the page and tells the command line where it is.
func (a *App) serve(run context.Context, loaded *config.Loaded, o Options, hub *hub) error {
	shown, err := loaded.Certificate()
	if err != nil {
		return err
	}
	l, listen, absent := o.Listener, loaded.Config.Web.Listen, false
	if l == nil {
		if l, absent, err = listenAt(listen); err != nil {
			return fmt.Errorf("the page can't be served at web.listen %s: %w. Is another faultkeep running? Give it another port",
				listen, err)
		}
	}
	secret := make([]byte, 16)
	if _, err := rand.Read(secret); err != nil {
		return err
	}
	me := archive.Endpoint{Address: "http://" + l.Addr().String(), Token: hex.EncodeToString(secret), PID: os.Getpid(), Version: o.Version}
	a.page = &page{options: web.Options{Version: o.Version, Token: me.Token, Store: archive.Pages(a.Store), Live: hub,
		Alerts: a.alertCounts, Metrics: a.figures.Handler(), Reload: a.Reload, Unready: a.unready, Log: o.Log}}
	if err := a.page.turn(loaded); err != nil {
		return errors.Join(err, l.Close())
	}
	server := &http.Server{Handler: a.page,
		ReadHeaderTimeout: 10 * time.Second, ReadTimeout: web.ReadWithin, WriteTimeout: web.WriteWithin,
		IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 64 << 10,
		ErrorLog: slog.NewLogLogger(o.Log.Handler(), slog.LevelDebug)}
	begin := server.Serve
	if shown != nil {
		me.Address, me.Certificate = "https://"+l.Addr().String(), shown.Pin()
		server.TLSConfig = shown.Config()
		begin = func(l net.Listener) error { return server.ServeTLS(l, "", "") }
		a.log.Info("the page's certificate", "sha256", shown.Fingerprint(), "ends", shown.Ends())
	}
	a.Address = me.Address
	serving := func(l net.Listener) {
		if err := begin(l); !errors.Is(err, http.ErrServerClosed) {
			a.fail(fmt.Errorf("the page ended: %w", err))
		}
	}
	go serving(l)
	if absent {
		a.log.Warn("this computer doesn't have the page's address yet; until then the page is for itself only", "listen", listen, "page", me.Address)
		a.run(run, "page's address", func(ctx context.Context) {
			if l := a.appears(ctx, listen); l != nil {
				go serving(l)
			}
		})
	}
	a.undo("page", func(ctx context.Context) error {
		ctx, stop := context.WithTimeout(ctx, time.Second)
		defer stop()
		if server.Shutdown(ctx) != nil {
			return server.Close() // live connections don't end by themselves
		}
		return nil
	})
	if err := archive.WriteEndpointFile(loaded.Config.Data, me); err != nil {
		return err
	}
	a.undo("endpoint file", func(context.Context) error { return archive.RemoveEndpointFile(loaded.Config.Data) })
	if shown != nil {
		a.run(run, "certificate", func(ctx context.Context) { a.renew(ctx, loaded.Config.Data, shown, me) })
	}
	return nil
}

// listenAt opens the page's address. Where this computer doesn't have it yet,
// since its network comes up later or a cable is out, that must not keep drives
// from being watched: then it opens one that only this computer can reach.
func listenAt(address string) (l net.Listener, absent bool, err error) {
	if l, err = net.Listen("tcp", address); err == nil || !isAbsent(err) {
		return l, false, err
	}
	_, port, wrong := net.SplitHostPort(address)
	if wrong != nil {
		return nil, false, err
	}
	for _, port := range []string{port, "0"} {
		if own, taken := net.Listen("tcp", net.JoinHostPort("127.0.0.1", port)); taken == nil {
			return own, true, nil
		}
	}
	return nil, false, err
}

// looksEvery is how often it is looked whether an address has come.
const looksEvery = 2 * time.Second

// appears waits until this computer has an address, and opens it; nil where
// ctx ended before.
func (a *App) appears(ctx context.Context, address string) net.Listener {
	said := ""
	for wait(ctx, looksEvery) {
		l, err := net.Listen("tcp", address)
		if err == nil {
			a.log.Info("this computer has the page's address now", "listen", address)
			return l
		}
		if !isAbsent(err) && err.Error() != said {
			said = err.Error()
			a.log.Error("the page can't be served at its address; it is tried again", "listen", address, "error", err)
		}
	}
	return nil
}

// renewEvery is how often the certificate's files are looked at: for a new one
// that somebody put there, or for an end that comes near.
const renewEvery = time.Hour

// endsSoon is how long before the end of a certificate of the user's own
// somebody is told; one that faultkeep made is made anew long before.
const endsSoon = 14 * 24 * time.Hour

// renew keeps the certificate fresh, and tells commands which one it is.
func (a *App) renew(ctx context.Context, data string, shown *certificate.Certificate, me archive.Endpoint) {
	told := time.Time{}
	for {
		if now := time.Now(); shown.Ends().Sub(now) < endsSoon && now.Sub(told) > 24*time.Hour {
			told = now
			a.log.Warn("the page's certificate ends soon; put a new one in the place of its files", "ends", shown.Ends())
		}
		if !wait(ctx, renewEvery) {
			return
		}
		changed, err := shown.Refresh()
		if err != nil {
			a.log.Warn("the page's certificate can't be read again; the last one stays", "error", err, "ends", shown.Ends())
			continue
		}
		if !changed {
			continue
		}
		a.log.Info("the page has a new certificate", "sha256", shown.Fingerprint(), "ends", shown.Ends())
		me.Certificate = shown.Pin()
		if err := archive.WriteEndpointFile(data, me); err != nil {
			a.log.Error("commands can't be told of the page's new certificate", "error", err)
		}
	}
}
