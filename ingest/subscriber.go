package ingest

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"strings"
	"sync/atomic"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/prometheus/client_golang/prometheus"
)

// SubscriberConfig of a Subscriber. URL, ClientID and Door are required; other
// zero fields take the default.
type SubscriberConfig struct {
	// URL of the broker: mqtt:// or tcp://, and mqtts://, ssl:// or tls:// for
	// TLS; user and password may stand in it. Default ports 1883 and 8883.
	URL string
	// ClientID must be the same at every start and differ between instances: the
	// broker keeps the session, and with it what arrives while nobody listens,
	// under this name.
	ClientID           string
	Username, Password string      // override those of the URL
	TLS                *tls.Config // for the TLS schemes; nil: the system's roots

	// Share names a group of subscribers among whom the broker divides the
	// messages ($share/<Share>/...); "" for a single instance.
	Share string
	// Filter of topics; default underkeep/1/#, so that a misspelt topic shows in
	// quarantine instead of vanishing.
	Filter string
	// Window is how many messages are held between the network and the door: at
	// least what the broker sends unacknowledged (max_inflight_messages), or a
	// slow database would also hold up keep-alive. Default 4096.
	Window    int
	KeepAlive time.Duration // default 30 s, whole seconds
	// Patience is how long storing may fail before the connection is given up
	// until it works again, so that others of the group get the messages.
	// Default 60 s.
	Patience time.Duration
	// StopLimit is how long the end of Run waits for the door to store what was
	// taken. Default 20 s.
	StopLimit time.Duration
	// RetryFirst and RetryMost are the first and the longest pause between
	// attempts to connect. Defaults 250 ms and 15 s.
	RetryFirst, RetryMost time.Duration

	Door    *Door
	Metrics prometheus.Registerer // nil: not exported
	Log     *slog.Logger          // default slog.Default()
}

func (c SubscriberConfig) withDefaults() (SubscriberConfig, error) {
	if c.Door == nil || c.ClientID == "" {
		return c, errors.New("ingest: a subscriber needs a Door and a ClientID")
	}
	if strings.ContainsAny(c.Share, "/+#") {
		return c, fmt.Errorf("ingest: share name %q contains one of / + #", c.Share)
	}
	if c.Filter == "" {
		c.Filter = TopicPrefix + "#"
	}
	if strings.HasPrefix(c.Filter, "$") {
		return c, fmt.Errorf("ingest: filter %q: name the group in Share", c.Filter)
	}
	if c.Window <= 0 {
		c.Window = 4096
	}
	for _, d := range []struct {
		v   *time.Duration
		def time.Duration
	}{{&c.KeepAlive, 30 * time.Second}, {&c.Patience, time.Minute}, {&c.StopLimit, 20 * time.Second}, {&c.RetryFirst, 250 * time.Millisecond}, {&c.RetryMost, 15 * time.Second}} {
		if *d.v <= 0 {
			*d.v = d.def
		}
	}
	if c.Log == nil {
		c.Log = slog.Default()
	}
	return c, nil
}

// Subscriber stands behind an external broker and passes what it hears to a
// Door. It acknowledges a message when the door has stored it, never before and
// never without.
type Subscriber struct {
	cfg       SubscriberConfig
	broker    *url.URL
	connected atomic.Bool

	connects, lost prometheus.Counter
	up             prometheus.Gauge
}

// NewSubscriber checks the configuration; Run connects.
func NewSubscriber(cfg SubscriberConfig) (*Subscriber, error) {
	cfg, err := cfg.withDefaults()
	if err != nil {
		return nil, err
	}
	u, err := brokerURL(cfg.URL)
	if err != nil {
		return nil, err
	}
	if cfg.Username == "" && u.User != nil {
		cfg.Username = u.User.Username()
		cfg.Password, _ = u.User.Password()
	}
	u.User = nil
	s := &Subscriber{cfg: cfg, broker: u}
	s.register(cfg.Metrics)
	return s, nil
}

func (s *Subscriber) register(reg prometheus.Registerer) {
	counter := func(name, help string) prometheus.Counter {
		return prometheus.NewCounter(prometheus.CounterOpts{Namespace: "underkeep", Subsystem: "subscriber", Name: name, Help: help})
	}
	s.connects = counter("connects_total", "Sessions opened with the broker.")
	s.lost = counter("connections_lost_total", "Connections that ended other than by our own will.")
	s.up = prometheus.NewGauge(prometheus.GaugeOpts{Namespace: "underkeep", Subsystem: "subscriber", Name: "connected", Help: "1 while subscribed."})
	if reg != nil {
		reg.MustRegister(s.connects, s.lost, s.up)
	}
}

// brokerURL brings an address to a scheme and a port.
func brokerURL(address string) (*url.URL, error) {
	u, err := url.Parse(address)
	if err != nil {
		return nil, fmt.Errorf("broker address: %w", redact(err))
	}
	port := "1883"
	switch u.Scheme {
	case "mqtt", "tcp":
		u.Scheme = "tcp"
	case "mqtts", "ssl", "tls":
		u.Scheme, port = "tls", "8883"
	default:
		return nil, fmt.Errorf("broker address: scheme %q is none of mqtt, tcp, mqtts, ssl, tls", u.Scheme)
	}
	if u.Hostname() == "" {
		return nil, errors.New("broker address: no host")
	}
	if u.Port() == "" {
		u.Host = net.JoinHostPort(u.Hostname(), port)
	}
	return u, nil
}

// redact keeps a password that stands in an address out of the log.
func redact(err error) error {
	var ue *url.Error
	if errors.As(err, &ue) {
		return ue.Err
	}
	return err
}

// Connected says whether the subscription stands.
func (s *Subscriber) Connected() bool { return s.connected.Load() }

// Run holds the subscription until ctx ends, then takes no more, waits until
// the door has stored what was taken and acknowledges it, and disconnects. The
// session stays with the broker. Close the door after Run has returned, not
// before.
func (s *Subscriber) Run(ctx context.Context) {
	limit := s.stopLimit(ctx)
	pause, short := s.cfg.RetryFirst, 0
	for first := true; ctx.Err() == nil; first = false {
		began := time.Now()
		err := s.session(ctx, limit, first)
		if ctx.Err() != nil {
			return
		}
		lasted := time.Since(began)
		s.cfg.Log.Warn("subscription ended; connecting again", "broker", s.broker.Redacted(), "lasted", lasted.Round(time.Millisecond), "error", err)
		if short++; lasted > s.cfg.RetryMost {
			pause, short = s.cfg.RetryFirst, 0
		}
		if short == 5 {
			s.cfg.Log.Error("the subscription keeps ending; is another process using the same client id?", "client", s.cfg.ClientID)
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(pause):
		}
		pause = min(2*pause, s.cfg.RetryMost)
	}
}

// errPatience ends a session whose messages cannot be stored.
var errPatience = errors.New("connection given up while readings cannot be stored")

// session is one connection from connect to the end. It returns only after
// everything that it took has been stored, so that what waits never exceeds one
// window however often the connection breaks.
func (s *Subscriber) session(ctx context.Context, limit <-chan struct{}, first bool) error {
	f := newFlow(s)
	client := mqtt.NewClient(s.options(f))
	token := client.Connect()
	<-token.Done()
	if err := token.Error(); err != nil {
		f.end(limit)
		return fmt.Errorf("connect to %s: %w", s.broker.Redacted(), err)
	}
	s.connects.Inc()
	if c := token.(*mqtt.ConnectToken); !first && !c.SessionPresent() {
		s.cfg.Log.Warn("the broker has lost this subscriber's session; what it held for it is gone", "client", s.cfg.ClientID)
	}
	err := s.hold(ctx, client, f)
	s.connected.Store(false)
	s.up.Set(0)
	if ctx.Err() == nil {
		s.lost.Inc()
		client.Disconnect(250)
		f.end(limit)
		return err
	}
	// The order matters: no more intake, everything stored, everything
	// acknowledged, then goodbye.
	if !f.end(limit) {
		s.cfg.Log.Warn("stopped before everything taken was stored; the broker sends it again", "client", s.cfg.ClientID)
	}
	client.Disconnect(500)
	return nil
}

// stopLimit fires StopLimit after ctx has ended.
func (s *Subscriber) stopLimit(ctx context.Context) <-chan struct{} {
	limit := make(chan struct{})
	context.AfterFunc(ctx, func() { time.AfterFunc(s.cfg.StopLimit, func() { close(limit) }) })
	return limit
}

// hold subscribes and waits for the end of the connection, of patience or of
// ctx.
func (s *Subscriber) hold(ctx context.Context, client mqtt.Client, f *flow) error {
	if err := s.subscribe(ctx, client); err != nil {
		return err
	}
	s.connected.Store(true)
	s.up.Set(1)
	s.cfg.Log.Info("subscribed", "broker", s.broker.Redacted(), "filter", s.filter())
	check := time.NewTicker(min(s.cfg.Patience/4, 5*time.Second))
	defer check.Stop()
	var failingSince time.Time
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case err := <-f.lost:
			return err
		case now := <-check.C:
			if s.cfg.Door.recovered() == nil {
				failingSince = time.Time{}
			} else if failingSince.IsZero() {
				failingSince = now
			} else if now.Sub(failingSince) >= s.cfg.Patience {
				return errPatience
			}
		}
	}
}

func (s *Subscriber) filter() string {
	if s.cfg.Share == "" {
		return s.cfg.Filter
	}
	return "$share/" + s.cfg.Share + "/" + s.cfg.Filter
}

// subscribe renews the subscription on every connection: a broker that lost its
// data does not know it any more. In a group, a filter that the session kept
// from before it joined would deliver everything twice.
func (s *Subscriber) subscribe(ctx context.Context, client mqtt.Client) error {
	if s.cfg.Share != "" {
		if err := wait(ctx, client.Unsubscribe(s.cfg.Filter)); err != nil {
			return fmt.Errorf("unsubscribe %s: %w", s.cfg.Filter, err)
		}
	}
	filter := s.filter()
	token := client.Subscribe(filter, 1, nil)
	if err := wait(ctx, token); err != nil {
		return fmt.Errorf("subscribe %s: %w", filter, err)
	}
	for _, granted := range token.(*mqtt.SubscribeToken).Result() { // one, whatever it is named
		if granted != 1 {
			return fmt.Errorf("subscribe %s: the broker granted %#x instead of QoS 1", filter, granted)
		}
	}
	return nil
}

func wait(ctx context.Context, t mqtt.Token) error {
	select {
	case <-t.Done():
		return t.Error()
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(30 * time.Second):
		return errors.New("no answer from the broker")
	}
}

func (s *Subscriber) options(f *flow) *mqtt.ClientOptions {
	o := mqtt.NewClientOptions().AddBroker(s.broker.String())
	o.SetClientID(s.cfg.ClientID).SetUsername(s.cfg.Username).SetPassword(s.cfg.Password)
	o.SetProtocolVersion(4)
	o.SetCleanSession(false)
	o.SetAutoAckDisabled(true)
	o.SetOrderMatters(true)
	o.SetAutoReconnect(false) // Run reconnects, once everything taken is stored
	o.SetConnectRetry(false)
	o.SetConnectTimeout(10 * time.Second)
	o.SetKeepAlive(s.cfg.KeepAlive)
	o.SetPingTimeout(10 * time.Second)
	o.SetWriteTimeout(30 * time.Second)
	// What the session holds may arrive before any subscription is made: one
	// handler for everything, set before connecting.
	o.SetDefaultPublishHandler(func(_ mqtt.Client, m mqtt.Message) { f.take(m) })
	o.SetConnectionLostHandler(func(_ mqtt.Client, err error) { f.fail(err) })
	o.SetCustomOpenConnectionFn(func(u *url.URL, o mqtt.ClientOptions) (net.Conn, error) { return s.dial(u, o.ConnectTimeout) })
	return o
}

func (s *Subscriber) dial(u *url.URL, timeout time.Duration) (net.Conn, error) {
	dialer := &net.Dialer{Timeout: timeout, KeepAlive: 15 * time.Second}
	if u.Scheme != "tls" {
		c, err := dialer.Dial("tcp", u.Host)
		if err != nil {
			return nil, err
		}
		return newBufferedConn(c), nil
	}
	cfg := s.cfg.TLS.Clone()
	if cfg == nil {
		cfg = &tls.Config{MinVersion: tls.VersionTLS12}
	}
	if cfg.ServerName == "" {
		cfg.ServerName = u.Hostname()
	}
	c, err := tls.DialWithDialer(dialer, "tcp", u.Host, cfg)
	if err != nil {
		return nil, err
	}
	return newBufferedConn(c), nil
}
