// Package heartbeat asks for an address or tells a broker now and then, while
// all is well: a watcher there that misses it knows that faultkeep, its computer or its
// network is gone, which no alert could tell.
package heartbeat

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/url"
	"strings"
	"time"

	"faultkeep/configs/strict"
)

// Config of the heartbeat.
type Config struct {
	URL   string          `yaml:"url"`   // http or https address that is asked for; none where left out
	MQTT  string          `yaml:"mqtt"`  // name of the sink whose broker is told; none where left out
	Every strict.Duration `yaml:"every"` // 1 min where left out
}

const (
	usual     = time.Minute
	least     = 10 * time.Second
	most      = time.Hour
	within    = 10 * time.Second // for an answer
	sayAgain  = time.Hour        // that it fails, or is held back
	bodyLimit = 64 << 10
)

func (c Config) every() time.Duration {
	if c.Every == 0 {
		return usual
	}
	return c.Every.Std()
}

// Place is the address without path and query, which may hold a token.
func (c Config) Place() string {
	u, err := url.Parse(c.URL)
	if err != nil || u.Host == "" {
		return "an address that can't be read"
	}
	return u.Scheme + "://" + u.Host
}

// Sentence says what it does, for people.
func (c Config) Sentence() string {
	var does []string
	if c.URL != "" {
		does = append(does, c.Place()+" is asked for")
	}
	if c.MQTT != "" {
		does = append(does, "the broker of "+c.MQTT+" is told")
	}
	return fmt.Sprintf("While every drive is watched and captures can be kept, %s every %s.", strings.Join(does, " and "), strict.Duration(c.every()))
}

// MarshalJSON leaves out what may be a token.
func (c Config) MarshalJSON() ([]byte, error) {
	shown := map[string]string{"every": strict.Duration(c.every()).String()}
	if c.URL != "" {
		shown["url"] = c.Place() + "/…"
	}
	if c.MQTT != "" {
		shown["mqtt"] = c.MQTT
	}
	return json.Marshal(shown)
}

// String does the same for messages and logs.
func (c Config) String() string { return "heartbeat to " + c.Place() }

// GoString does the same for %#v.
func (c Config) GoString() string { return c.String() }

// Check calls say for everything that is wrong: the key, what is wrong with
// it, and what to do. It connects to nobody.
func (c Config) Check(say func(key, text, hint string)) {
	switch u, err := url.Parse(c.URL); {
	case c.URL == "" && c.MQTT == "":
		say("url", "is missing", "give the http or https address that a watcher listens at, or with mqtt: the name of a sink whose broker is told")
	case c.URL == "":
	case err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Hostname() == "" || u.User != nil || u.Fragment != "":
		say("url", "is not a plain http or https address", "write it in full, as in https://watch.northquay.example/faultkeep")
	}
	if c.Every != 0 && (c.Every.Std() < least || c.Every.Std() > most) {
		say("every", fmt.Sprintf("%s is not between %s and %s", c.Every, strict.Duration(least), strict.Duration(most)), "leave it out for "+strict.Duration(usual).String())
	}
}

// Run beats until ctx ends, each time only where ails finds nothing; tell says
// so to the broker, where there is one. It holds nobody up; that it fails or is
// held back is logged at once, and then hourly.
func Run(ctx context.Context, c Config, ails func() string, tell func(context.Context) error, log *slog.Logger) {
	client := &http.Client{Timeout: within}
	defer client.CloseIdleConnections()
	said, at := "", time.Time{}
	say := func(text string, args ...any) {
		if text != said || time.Since(at) >= sayAgain {
			said, at = text, time.Now()
			log.Warn(text, args...)
		}
	}
	tick := time.NewTicker(c.every())
	defer tick.Stop()
	for {
		select { // first of all: at the start nothing is watched yet
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		if why := ails(); why != "" {
			say("the heartbeat is held back", "why", why)
		} else if err := beat(ctx, client, c, tell); err != nil {
			if ctx.Err() == nil {
				say("the heartbeat isn't heard", "error", err)
			}
		} else if said != "" {
			said, at = "", time.Time{}
			log.Info("the heartbeat goes again")
		}
	}
}

// beat asks for the address and tells the broker; one that fails doesn't keep
// the other from it.
func beat(ctx context.Context, client *http.Client, c Config, tell func(context.Context) error) error {
	var asked, told error
	if c.URL != "" {
		if asked = ask(ctx, client, c); asked != nil {
			asked = fmt.Errorf("%s: %w", c.Place(), asked)
		}
	}
	if tell != nil {
		ctx, stop := context.WithTimeout(ctx, within)
		defer stop()
		told = tell(ctx)
	}
	return errors.Join(asked, told)
}

func ask(ctx context.Context, client *http.Client, c Config) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, c.URL, http.NoBody)
	if err != nil {
		return errors.New("its url is not an address") // the cause would quote it
	}
	req.Header.Set("User-Agent", "faultkeep")
	answer, err := client.Do(req)
	var quoted *url.Error
	if errors.As(err, &quoted) {
		return quoted.Err // without the address, which may hold a token
	}
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	_, _ = io.Copy(io.Discard, io.LimitReader(answer.Body, bodyLimit))
	if answer.StatusCode/100 != 2 {
		return fmt.Errorf("the answer was %s", answer.Status)
	}
	return nil
}
