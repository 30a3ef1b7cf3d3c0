// Package api is the way in for people and programs: the JSON API under /v1,
// the state of the service, and the pages.
//
// openapi.yaml came first and is served at /v1/openapi.json. Handlers are
// written by hand rather than generated: the lists stream, the same queries
// feed JSON, CSV and pages, and errors are problem details throughout. The
// tests hold the two together: every response of the suite is validated against
// the document, and every route is in it and the other way round.
package api

import (
	"context"
	"log/slog"
	"net/http"
	"net/netip"
	"time"

	"github.com/go-chi/chi/v5"
	"github.com/prometheus/client_golang/prometheus"

	"underkeep/alerting/notify"
	"underkeep/api/live"
	"underkeep/api/pages"
	"underkeep/api/view"
)

// Options of New. Source is required; the rest have defaults.
type Options struct {
	Source view.Source
	Logger *slog.Logger     // default: discards
	Now    func() time.Time // default: time.Now
	// Registry is served at /metrics and gets the alarm counts and the lag of
	// evaluation; default: a new one.
	Registry *prometheus.Registry
	// Ingest reports why readings are not taken at present, nil when they are.
	// Default: no such check.
	Ingest func(context.Context) error
	// MaxLag of evaluation at which the service still calls itself ready.
	// Default: 2 min.
	MaxLag time.Duration
	// SessionKey encrypts the cookie of the pages, 32 bytes. The same on every
	// instance lets people move between instances and survives a restart.
	// Default: random.
	SessionKey []byte
	// SecureCookies marks cookies for https only. Set it wherever https ends in
	// front of the service.
	SecureCookies bool
	// TrustedProxies are whom X-Forwarded-For is believed; none: nobody.
	TrustedProxies []netip.Prefix
	// Limits on how fast requests come; default: none.
	Limits Limits
	// Mail sends one-time links to sign in; nil: none are offered.
	Mail SignInMailer
	// PublicURL is where people reach the pages, for links in mail and for
	// OpenID Connect: https://… without a path.
	PublicURL string
	// OpenID lets people sign in at a provider; nil: not offered.
	OpenID *OpenID
	// Links reads the links in messages; nil: there are none.
	Links *notify.Links
	// KeptMail is a mail as it was sent, by the id of its delivery, where the
	// service keeps them; nil or "" where it does not.
	KeptMail func(delivery string) string
	// Contact tells owners on their page whom to call; "" leaves it out.
	Contact string
}

func (o Options) withDefaults() Options {
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Registry == nil {
		o.Registry = prometheus.NewRegistry()
	}
	if o.MaxLag == 0 {
		o.MaxLag = 2 * time.Minute
	}
	return o
}

// server holds what the handlers share; it has no state of its own.
type server struct {
	Options
	document document
	live     *live.Hub

	sources, principals, signIns *throttle

	// bind is the function of that name; a test of the database's own bounds
	// lets the checks before it know of wider ones.
	bind func(ctx context.Context, p view.Principal, source string) context.Context
}

const (
	queryTimeout  = 15 * time.Second
	streamTimeout = 10 * time.Minute
	maxBody       = 64 << 10
	maxFile       = 256 << 10 // a property file with hundreds of points
)

// New builds the handler of the whole service. It panics when the embedded
// document or templates do not parse, which only a build with a mistake can do.
func New(o Options) http.Handler {
	return newServer(o).routes()
}

func newServer(o Options) *server {
	s := &server{Options: o.withDefaults(), document: mustDocument(), bind: bind}
	s.sources = newThrottle(s.Limits.PerSource, s.Limits.BurstSource, s.Now)
	s.principals = newThrottle(s.Limits.PerPrincipal, s.Limits.BurstPrincipal, s.Now)
	s.signIns = newThrottle(s.Limits.SignIns, s.Limits.BurstSignIn, s.Now)
	s.live = live.New(s.Source, liveRound, liveStreams)
	s.Registry.MustRegister(newCollector(s.Source, s.Logger), newLoadCollector(s.Source, s.Logger, s.Now))
	return s
}

func (s *server) routes() *chi.Mux {
	r := chi.NewRouter()
	r.Use(s.recoverer, securityHeaders, s.arrive)
	r.NotFound(s.notFound)
	r.MethodNotAllowed(s.methodNotAllowed)

	r.Get("/healthz", s.health)
	r.Get("/readyz", s.ready)
	r.Method(http.MethodGet, "/metrics", s.metrics())
	r.Get("/v1/openapi.json", s.openAPI)
	r.Route("/v1", func(r chi.Router) {
		r.NotFound(s.notFound)
		r.MethodNotAllowed(s.methodNotAllowed)
		r.Group(s.fleetRoutes)
		r.Group(s.alarmRoutes)
		r.Group(s.quarantineRoutes)
		r.Group(s.deliveryRoutes)
		r.Group(s.visitRoutes)
		r.Group(s.warrantyRoutes)
		r.Group(s.evidenceRoutes)
		r.Group(s.accessRoutes)
	})
	pages.Mount(r, pages.Options{
		Source: s.Source, Live: s.live, Logger: s.Logger, Now: s.Now,
		SessionKey: s.SessionKey, SecureCookies: s.SecureCookies, Contact: s.Contact,
		Access: s.pageAccess(), Links: s.Links, KeptMail: s.KeptMail,
	})
	return r
}

func (s *server) fleetRoutes(r chi.Router) {
	read := s.may(view.Read)
	r.With(read, deadline(queryTimeout)).Get("/properties", s.listProperties)
	r.With(s.may(view.WriteFleet), deadline(queryTimeout)).Post("/properties", s.registerProperty)
	r.With(read, deadline(queryTimeout)).Get("/properties/{id}", s.getProperty)
	r.With(read, deadline(streamTimeout)).Get("/properties/{id}/readings", s.listReadings)
	r.With(read, deadline(streamTimeout)).Get("/properties/{id}/series", s.series)
	r.With(read).Get("/properties/{id}/live", s.streamProperty)
	r.With(s.may(view.ReadGateways), deadline(queryTimeout)).Get("/properties/{id}/gateways", s.listGateways)
	r.With(read, deadline(queryTimeout)).Get("/properties/{id}/limits", s.listLimits)
	r.With(read, deadline(queryTimeout)).Get("/properties/{id}/outlook", s.getOutlook)
	r.With(read, deadline(queryTimeout)).Get("/properties/{id}/weather", s.getWeather)
}

func (s *server) alarmRoutes(r chi.Router) {
	r.Use(deadline(queryTimeout))
	read, shelve := s.may(view.Read), s.may(view.Shelve)
	r.With(read).Get("/alarms", s.listAlarms)
	r.With(s.may(view.ReadLoad)).Get("/alarm-load", s.alarmLoad)
	r.With(read).Get("/regional-events", s.listRegional)
	r.With(read).Get("/regional-events/{id}", s.getRegional)
	r.With(read).Get("/alarms/{id}", s.getAlarm)
	r.With(read).Get("/alarms/{id}/journal", s.listJournal)
	r.With(s.may(view.Acknowledge)).Post("/alarms/{id}/acknowledge", s.answer(view.ToAcknowledge))
	r.With(shelve).Post("/alarms/{id}/shelve", s.answer(view.ToShelve))
	r.With(shelve).Post("/alarms/{id}/unshelve", s.answer(view.ToUnshelve))
	r.With(shelve).Post("/alarms/{id}/out-of-service", s.answer(view.ToOutOfService))
	r.With(shelve).Post("/alarms/{id}/return-to-service", s.answer(view.ToReturnToService))
}

func (s *server) quarantineRoutes(r chi.Router) {
	r.Use(s.may(view.Quarantine), deadline(queryTimeout))
	r.Get("/quarantine", s.listQuarantine)
	r.Get("/quarantine/{id}", s.getQuarantined)
	r.Post("/quarantine/{id}/replay", s.replayQuarantined)
	r.Post("/quarantine/{id}/discard", s.discardQuarantined)
}
