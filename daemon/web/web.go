// Package web serves faultkeep's pages and its local API. It shows what it is
// given through small interfaces and keeps nothing but pictures already drawn.
package web

import (
	"context"
	"log/slog"
	"net/http"
	"time"

	"faultkeep/daemon/login"
	"faultkeep/daemon/web/wire"
	"faultkeep/store/capture"
)

// Store is what the pages need of the captures and the ledger.
type Store interface {
	wire.Captures
	wire.Ledger
	wire.Verifier
	wire.Marker
	wire.Analyst
	wire.Repairs
	wire.Telling
	wire.Stander
	wire.Briefs
	// Short tells what was found in captures in few words; those not analysed yet are left out.
	Short(ctx context.Context, ids ...capture.ID) (map[capture.ID]wire.Short, error)
	// Visit is when who last marked everything as seen; zero: never.
	Visit(ctx context.Context, who string) (time.Time, error)
	SetVisit(ctx context.Context, who string, at time.Time) error
}

// Live is what is going on now.
type Live interface {
	Drives() []DriveNow
	// Changes is sent to, without blocking, whenever something shown has
	// changed. cancel ends it.
	Changes() (ch <-chan struct{}, cancel func())
}

// DriveNow is a drive as it is at this moment.
type DriveNow struct {
	Name      string                `json:"name"`
	Title     string                `json:"title,omitempty"`
	Address   string                `json:"address,omitempty"`
	State     capture.RecorderState `json:"state"`
	Reachable bool                  `json:"reachable"`
	Watched   bool                  `json:"watched"` // reachable, and armed, recording or ready
	LastSeen  time.Time             `json:"last_seen,omitzero"`
	Polled    time.Duration         `json:"-"` // that the last good poll took
	Fault     capture.Fault         `json:"fault"`
	Tripped   bool                  `json:"tripped"`
	Pulling   bool                  `json:"pulling"`
	Done      int64                 `json:"done,omitempty"` // bytes of the pull so far
	Size      int64                 `json:"size,omitempty"` // bytes in all
	Race      string                `json:"race,omitempty"` // "margin 2.9 s"
	Figures   Race                  `json:"race_figures"`
	Words     string                `json:"words,omitempty"` // of what has no recorder: what it is doing
	Note      string                `json:"note,omitempty"`  // why it isn't watched, and what to do
}

// Label is the drive as people call it.
func (d DriveNow) Label() string {
	if d.Title != "" {
		return d.Title
	}
	return d.Name
}

// Race is what it takes to keep a drive's recording, against how long one
// stands. Zero: not known.
type Race struct {
	Pull       time.Duration `json:"pull_ns,omitempty"`        // to read a recording
	Need       time.Duration `json:"need_ns,omitempty"`        // to be certain of it: poll, pull and commit
	Survived   time.Duration `json:"survived_ns,omitempty"`    // the shortest that one stood so far
	ResetAfter time.Duration `json:"reset_after_ns,omitempty"` // by the config
	Advice     string        `json:"advice,omitempty"`         // what would win a race that is lost
}

// Margin is what is left of the shortest time that a recording stands; ok is
// false where either side isn't known.
func (r Race) Margin() (margin time.Duration, ok bool) {
	stands := r.ResetAfter
	if r.Survived > 0 && (stands == 0 || r.Survived < stands) {
		stands = r.Survived
	}
	return stands - r.Need, stands > 0 && r.Need > 0
}

// AlertCounts say how far alerts have come.
type AlertCounts struct {
	Raised   int `json:"raised"`
	Accepted int `json:"accepted"`
	Waiting  int `json:"waiting"`
}

// Options are what the pages are made of.
type Options struct {
	Site    string
	Zone    *time.Location // times are shown in it; nil: time.Local
	Version string
	Token   string // lets the API's callers in; "": the API is closed
	Store   Store
	Live    Live
	Alerts  func() AlertCounts                           // nil: none
	Metrics http.Handler                                 // nil: none
	Unready func() []string                              // what keeps faultkeep from its work, a word each; nil: nothing does
	Reload  func(context.Context) (wire.Reloaded, error) // reads the config again; nil: there is none
	// Hosts are the names, beside localhost and bare IP addresses, under which
	// the pages may be asked for. Any other Host header is refused, so that a
	// web site can't reach them by pointing its own name at this machine.
	Hosts     []string
	Login     *login.Desk // lets users in; nil: nobody needs to log in
	Streams   int         // most live connections at once; 0: 32
	Downloads int         // most downloads at once; 0: 4
	Log       *slog.Logger
	Now       func() time.Time // nil: time.Now
}

type server struct {
	Options
	look      *look
	pictures  *pictures
	waves     *waves
	streams   chan struct{}
	downloads chan struct{}
	doors     []route
}

// New makes the handler for everything under "/".
func New(o Options) http.Handler {
	if o.Zone == nil {
		o.Zone = time.Local
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Streams <= 0 {
		o.Streams = 32
	}
	if o.Downloads <= 0 {
		o.Downloads = 4
	}
	if o.Alerts == nil {
		o.Alerts = func() AlertCounts { return AlertCounts{} }
	}
	s := newServer(o)
	return s.guard(s.routes())
}

func newServer(o Options) *server {
	return &server{Options: o, look: newLook(), pictures: newPictures(), waves: newWaves(), streams: make(chan struct{}, o.Streams), downloads: make(chan struct{}, o.Downloads)}
}

func (s *server) routes() *http.ServeMux {
	mux := http.NewServeMux()
	put := func(d door, pattern string, h http.Handler) { // the only way to the mux, so that nothing has no door
		s.doors = append(s.doors, route{pattern, d})
		mux.Handle(pattern, s.admit(d, h))
	}
	page := func(pattern string, h func(http.ResponseWriter, *http.Request) error) {
		put(forUsers, pattern, s.page(h))
	}
	page("GET /{$}", s.overnight)
	page("POST /seen", s.seen)
	page("POST /mark", s.mark)
	page("GET /unread", s.unread)
	page("GET /brief", s.brief)
	page("GET /recurrence", s.recurrence)
	page("GET /compare", s.compare)
	page("POST /repair", s.addRepair)
	page("POST /repair/drop", s.dropRepair)
	page("GET /alerts", s.alerts)
	page("POST /alerts/acknowledge", s.acknowledge)
	page("POST /alerts/quiet", s.addQuiet)
	page("POST /alerts/quiet/end", s.endQuiet)
	page("POST /alerts/refused", s.refused)
	page("GET /drive/{name}", s.drive)
	page("GET /capture/{id}", s.capture)
	page("GET /capture/{id}/lanes.svg", s.lanes)
	page("GET /capture/{id}/at.json", s.plainly(s.at))
	page("GET /capture/{id}/wave.json", s.plainly(s.waveMeta))
	page("GET /capture/{id}/figures.json", s.plainly(s.figures))
	page("GET /capture/{id}/spectrum.json", s.plainly(s.spectrum))
	page("GET /capture/{id}/envelope", s.plainly(s.envelope))
	page("GET /capture/{id}/samples.csv", s.samples)
	page("GET /capture/{id}/original/{part}", s.original)
	page("/", s.nowhere)
	put(forUsers, "GET /events", http.HandlerFunc(s.events))
	if s.Metrics != nil {
		put(forScraper, "GET /metrics", s.Metrics)
	}
	put(forAll, "GET /login", s.page(s.loginPage))
	put(forAll, "POST /login", s.page(s.logIn))
	put(forAll, "POST /logout", s.page(s.logOut)) // which can only end a session of the browser that asks
	put(forAll, "GET /static/{sum}/{file}", http.HandlerFunc(s.look.static))
	put(forAll, "GET /healthz", http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		_, _ = w.Write([]byte("alive\n"))
	}))
	put(forAll, "GET /readyz", http.HandlerFunc(s.readyz))

	api := func(pattern string, h func(http.ResponseWriter, *http.Request) error) {
		put(forToken, pattern, s.api(h))
	}
	api("GET /api/v1/openapi.yaml", s.apiDescription)
	api("GET /api/v1/status", s.apiStatus)
	api("GET /api/v1/drives", s.apiDrives)
	api("GET /api/v1/standing", s.apiStanding)
	api("GET /api/v1/brief", s.apiBrief)
	api("GET /api/v1/captures", s.apiCaptures)
	api("GET /api/v1/captures/{prefix}", s.apiCapture)
	api("GET /api/v1/captures/{id}/{part}", s.apiOriginal)
	api("GET /api/v1/captures/{id}/envelope", s.envelope) // no part is called so
	api("GET /api/v1/misses", s.apiMisses)
	api("GET /api/v1/spells", s.apiSpells)
	api("GET /api/v1/ledger", s.apiLedger)
	api("GET /api/v1/coverage", s.apiCoverage)
	api("GET /api/v1/findings/{id}", s.apiStudy)
	api("POST /api/v1/findings/{id}", s.apiAnalyse)
	api("GET /api/v1/recurrences", s.apiRecurrences)
	api("GET /api/v1/repairs", s.apiRepairs)
	api("POST /api/v1/repairs", s.apiAddRepair)
	api("DELETE /api/v1/repairs", s.apiDropRepair)
	api("GET /api/v1/alarms", s.apiAlarms)
	api("POST /api/v1/alarms", s.apiAcknowledge)
	api("GET /api/v1/quiets", s.apiQuiets)
	api("POST /api/v1/quiets", s.apiAddQuiet)
	api("DELETE /api/v1/quiets/{id}", s.apiEndQuiet)
	api("GET /api/v1/outbox", s.apiBoxes)
	api("POST /api/v1/outbox", s.apiSendAgain)
	api("DELETE /api/v1/outbox", s.apiForget)
	api("POST /api/v1/mark", s.apiMark)
	api("GET /api/v1/marks", s.apiMarks)
	api("GET /api/v1/arrivals/{hash}", s.apiArrived)
	api("POST /api/v1/arrivals/{hash}/read", s.apiReadNow)
	api("POST "+takePath, s.apiTake)
	api("POST /api/v1/verify", s.apiVerify)
	api("POST /api/v1/backup", s.apiBackup)
	api("POST /api/v1/compact", s.apiCompact)
	api("POST /api/v1/reload", s.apiReload)
	api("/api/", s.apiNowhere)
	return mux
}
