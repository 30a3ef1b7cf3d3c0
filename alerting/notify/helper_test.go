package notify

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"net/mail"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-smtp"

	"underkeep/alerting/notify/send"
	"underkeep/store"
	"underkeep/store/localpg/pgtest"
	"underkeep/store/site"
)

func quiet() *slog.Logger { return slog.New(slog.DiscardHandler) }

func migrateTemplate(ctx context.Context, url string) error {
	s, err := store.Open(ctx, url, store.Options{Log: quiet()})
	if err != nil {
		return err
	}
	defer s.Close()
	return s.Migrate(ctx)
}

// clock is the time that the tests hand in.
type clock struct {
	mu sync.Mutex
	at time.Time
}

func (c *clock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at
}

func (c *clock) advance(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = c.at.Add(d)
}

// rig is one instance of what plans and sends, on a real database and a real
// mail server.
type rig struct {
	tb        testing.TB
	store     *store.Store
	planner   *Planner
	deliverer *Deliverer
	clock     *clock
	mails     *mailServer
}

func newRig(tb testing.TB) *rig {
	tb.Helper()
	// Partitions of test databases begin with the month before the present one.
	return rigOn(tb, pgtest.New(tb, migrateTemplate), &clock{at: time.Now().UTC().Truncate(time.Second)}, newMailServer(tb))
}

func rigOn(tb testing.TB, url string, c *clock, m *mailServer) *rig {
	tb.Helper()
	p := &Planner{Now: c.now}
	s, err := store.Open(tb.Context(), url, store.Options{Log: quiet(), InEvaluation: p.InEvaluation, EvaluationConns: 12})
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(s.Close)
	p.Store = s
	mailer, err := send.NewMailer("smtp+plain://"+m.addr, "alarms@skerry.example", "Skerry Bank Dry Spaces", nil)
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(mailer.Close)
	d := &Deliverer{Store: s, Planner: p, Mail: mailer, Links: NewLinks([]byte("secret"), "https://watch.example"),
		Hooks: send.NewHooks(true, c.now), Now: c.now, Log: quiet()}
	return &rig{tb: tb, store: s, planner: p, deliverer: d, clock: c, mails: m}
}

const house = `property: %[1]s
name: %[2]s
timezone: America/New_York
installed: 2024-03-02
owner: {name: Ann Owner, email: owner-%[1]s@example.org}
points:
  - {id: north-bay, measures: [rh, air-temp], every: 5m}
  - {id: floor, measures: [leak]}
  - {id: sump, measures: [pump-run, pump-on, high-water]}
  - {id: gauge, measures: [rain]}
  - {id: power, measures: [mains]}
`

func (r *rig) register(ids ...string) {
	r.tb.Helper()
	for _, id := range ids {
		r.registerFile(id, houseFile(id))
	}
	if err := r.store.RefreshRegistry(r.tb.Context()); err != nil {
		r.tb.Fatal(err)
	}
}

func houseFile(id string) string { return fmt.Sprintf(house, id, "Cottage "+id) }

func decimal(v float64) string { return strconv.FormatFloat(v, 'f', 4, 64) }

func (r *rig) registerFile(id, file string) {
	r.tb.Helper()
	desc, err := site.ParseProperty([]byte(file), id+".yaml")
	if err != nil {
		r.tb.Fatal(err)
	}
	if _, err := r.store.Register(r.tb.Context(), []byte(file), desc, "test"); err != nil {
		r.tb.Fatal(err)
	}
	if _, err := r.store.AddGateway(r.tb.Context(), id, "main", "test"); err != nil {
		r.tb.Fatal(err)
	}
}

func (r *rig) manager(name, phone string) store.Person {
	r.tb.Helper()
	p, err := r.store.AddPerson(r.tb.Context(), store.NewPerson{Name: name, Email: strings.ToLower(name) + "@skerry.example", Phone: phone,
		Role: store.RoleManager, All: true, By: "test"})
	if err != nil {
		r.tb.Fatal(err)
	}
	return p
}

// reads stores one reading as the property's gateway would send it.
func (r *rig) reads(property, point string, q site.Quantity, at time.Time, value float64) {
	r.tb.Helper()
	_, err := r.store.Record(r.tb.Context(), []store.Delivery{{Property: property, Gateway: "main", Received: r.clock.now(),
		Readings: []store.Reading{{Point: point, Quantity: q, At: at, Value: value}}}})
	if err != nil {
		r.tb.Fatal(err)
	}
}

func (r *rig) evaluate() {
	r.tb.Helper()
	for {
		out, err := r.store.EvaluateDue(r.tb.Context(), r.clock.now())
		if err != nil {
			r.tb.Fatal(err)
		}
		if out.Failed > 0 {
			r.tb.Fatalf("%d evaluations failed", out.Failed)
		}
		if out.Properties == 0 {
			return
		}
	}
}

// wet makes a quantity of water stand long enough for its alarm.
func (r *rig) wet(property, point string, q site.Quantity) {
	r.tb.Helper()
	now := r.clock.now()
	r.reads(property, point, q, now.Add(-2*time.Minute), 1)
	r.reads(property, "north-bay", site.RH, now, 50)
	r.evaluate()
}

// dry ends it: ten minutes dry, and more.
func (r *rig) dry(property, point string, q site.Quantity) {
	r.tb.Helper()
	r.reads(property, point, q, r.clock.now(), 0)
	r.clock.advance(15 * time.Minute)
	r.reads(property, "north-bay", site.RH, r.clock.now(), 50)
	r.evaluate()
}

// deliver works on everything that is due now, and says how many there were.
func (r *rig) deliver() int {
	r.tb.Helper()
	n := 0
	for _, x := range r.notices() {
		if !x.DoneAt.IsZero() || x.DueAt.After(r.clock.now()) {
			continue
		}
		if _, err := r.deliverer.Deliver(r.tb.Context(), store.NoticeJob{Property: x.Property, Delivery: x.ID}); err != nil {
			r.tb.Fatal(err)
		}
		n++
	}
	return n
}

// settle lets time pass in steps and delivers what comes due.
func (r *rig) settle(d time.Duration) {
	r.tb.Helper()
	for end := r.clock.now().Add(d); r.clock.now().Before(end); {
		r.clock.advance(min(30*time.Second, end.Sub(r.clock.now())))
		r.deliver()
	}
}

// notices are all deliveries, oldest first.
func (r *rig) notices() []store.Notice {
	r.tb.Helper()
	var out []store.Notice
	for cursor := ""; ; {
		page, next, err := r.store.Notices(r.tb.Context(), store.NoticeQuery{Scope: store.AllProperties, Limit: 500, Cursor: cursor})
		if err != nil {
			r.tb.Fatal(err)
		}
		out = append(out, page...)
		if cursor = next; next == "" {
			break
		}
	}
	for i, j := 0, len(out)-1; i < j; i, j = i+1, j-1 {
		out[i], out[j] = out[j], out[i]
	}
	return out
}

// summary lists deliveries as "purpose level step channel recipient state".
func (r *rig) summary() string {
	var b strings.Builder
	for _, n := range r.notices() {
		fmt.Fprintf(&b, "%s %d %d %s %s %s\n", n.Purpose, n.Level, n.Step, n.Channel, n.Recipient, n.State)
	}
	return b.String()
}

// mailServer is a real SMTP server that a test can spoil.
type mailServer struct {
	addr   string
	server *smtp.Server

	mu       sync.Mutex
	taken    []taken
	answer   func(from, to string, nth int) error // nil: take
	open     int                                  // sessions
	dataWait time.Duration                        // before the 250
	drop     bool                                 // the connection instead of the 250
	at       func(phase string)                   // mail, rcpt, data, answer (taken, the 250 not yet written)
	tried    map[string]int                       // by recipient
}

// taken is one mail that the server answered 250 to.
type taken struct {
	To   string
	At   time.Time
	Raw  []byte
	Head mail.Header
}

func newMailServer(tb testing.TB) *mailServer {
	tb.Helper()
	m := &mailServer{tried: map[string]int{}}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		tb.Fatal(err)
	}
	m.addr = l.Addr().String()
	m.server = smtp.NewServer(m)
	m.server.Domain, m.server.AllowInsecureAuth = "localhost", true
	m.server.ReadTimeout, m.server.WriteTimeout = time.Minute, time.Minute
	m.server.ErrorLog = silent{}
	go func() { _ = m.server.Serve(l) }()
	tb.Cleanup(func() { _ = m.server.Close() })
	return m
}

type silent struct{}

func (silent) Printf(string, ...any) {}
func (silent) Println(...any)        {}

// NewSession begins a connection.
func (m *mailServer) NewSession(c *smtp.Conn) (smtp.Session, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.open++
	return &session_{m: m, conn: c}, nil
}

type session_ struct {
	m        *mailServer
	conn     *smtp.Conn
	from, to string
}

func (s *session_) Reset() {}
func (s *session_) Logout() error {
	s.m.mu.Lock()
	defer s.m.mu.Unlock()
	s.m.open--
	return nil
}

func (s *session_) Mail(from string, _ *smtp.MailOptions) error {
	s.from = from
	s.m.reached("mail")
	return nil
}

func (s *session_) Rcpt(to string, _ *smtp.RcptOptions) error {
	s.m.reached("rcpt")
	s.m.mu.Lock()
	defer s.m.mu.Unlock()
	s.to = to
	s.m.tried[to]++
	if s.m.answer != nil {
		return s.m.answer(s.from, to, s.m.tried[to])
	}
	return nil
}

func (s *session_) Data(r io.Reader) error {
	raw, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	s.m.mu.Lock()
	pause, drop := s.m.dataWait, s.m.drop
	s.m.mu.Unlock()
	s.m.reached("data")
	if drop {
		s.conn.Close()
		return errors.New("dropped")
	}
	time.Sleep(pause)
	msg, err := mail.ReadMessage(bytes.NewReader(raw))
	if err != nil {
		return err
	}
	s.m.mu.Lock()
	s.m.taken = append(s.m.taken, taken{s.to, time.Now(), raw, msg.Header})
	s.m.mu.Unlock()
	s.m.reached("answer")
	return nil
}

func (m *mailServer) reached(phase string) {
	m.mu.Lock()
	at := m.at
	m.mu.Unlock()
	if at != nil {
		at(phase)
	}
}

func (m *mailServer) spoil(f func(from, to string, nth int) error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.answer = f
}

func (m *mailServer) all() []taken {
	m.mu.Lock()
	defer m.mu.Unlock()
	return append([]taken(nil), m.taken...)
}

// textGateway is a provider of text messages on this machine.
type textGateway struct {
	mu  sync.Mutex
	got []string
}

func newTextGateway(tb testing.TB, r *rig) *textGateway {
	tb.Helper()
	g := &textGateway{}
	srv := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, req *http.Request) {
		b, _ := io.ReadAll(req.Body)
		g.mu.Lock()
		defer g.mu.Unlock()
		g.got = append(g.got, string(b))
	}))
	tb.Cleanup(srv.Close)
	var err error
	r.deliverer.Texts, err = send.NewGateway(fmt.Appendf(nil, "url: %s/send\nloopback: true\nbody: '{\"to\": {{json .To}}, \"text\": {{json .Text}}}'\n", srv.URL), r.clock.now)
	if err != nil {
		tb.Fatal(err)
	}
	return g
}

func (g *textGateway) all() []string {
	g.mu.Lock()
	defer g.mu.Unlock()
	return append([]string(nil), g.got...)
}

// watch lets f look on at every phase of a session; nil ends it.
func (m *mailServer) watch(f func(phase string)) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.at = f
}

// quiet waits until no session is open any more.
func (m *mailServer) quiet(tb testing.TB) {
	tb.Helper()
	for deadline := time.Now().Add(10 * time.Second); ; time.Sleep(2 * time.Millisecond) {
		m.mu.Lock()
		open := m.open
		m.mu.Unlock()
		if open == 0 {
			return
		}
		if time.Now().After(deadline) {
			tb.Fatalf("%d sessions are still open", open)
		}
	}
}
