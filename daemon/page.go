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
	"time"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/certificate"
	"faultkeep/daemon/config"
	"faultkeep/daemon/login"
	"faultkeep/daemon/web"
)

// serve opens the page and tells the command line where it is.
func (a *App) serve(run context.Context, loaded *config.Loaded, o Options, hub *hub, figures http.Handler) error {
	shown, err := loaded.Certificate()
	if err != nil {
		return err
	}
	var desk *login.Desk
	if users := loaded.Config.Web.Users; len(users) > 0 {
		if desk, err = login.New(users); err != nil {
			return err
		}
	}
	l := o.Listener
	if l == nil {
		if l, err = net.Listen("tcp", loaded.Config.Web.Listen); err != nil {
			return fmt.Errorf("the page can't be served at web.listen %s: %w. Is another faultkeep running? Give it another port",
				loaded.Config.Web.Listen, err)
		}
	}
	secret := make([]byte, 16)
	if _, err := rand.Read(secret); err != nil {
		return err
	}
	me := archive.Endpoint{Address: "http://" + l.Addr().String(), Token: hex.EncodeToString(secret), PID: os.Getpid(), Version: o.Version}
	server := &http.Server{Handler: web.New(web.Options{Site: loaded.Config.Site, Zone: loaded.Location, Version: o.Version,
		Token: me.Token, Store: archive.Pages(a.Store), Live: hub, Alerts: a.alertCounts, Metrics: figures,
		Hosts: loaded.Config.Web.Hosts(), Login: desk, Log: o.Log}),
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
	go func() {
		if err := begin(l); !errors.Is(err, http.ErrServerClosed) {
			a.fail(fmt.Errorf("the page ended: %w", err))
		}
	}()
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
