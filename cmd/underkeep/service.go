package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"

	"underkeep/alerting/notify"
	"underkeep/api"
	"underkeep/ingest"
	"underkeep/ingest/broker"
	"underkeep/store"
)

// service is everything that runs in one process. start brings it up in the
// order in which its parts depend on each other, stop takes it down the other
// way round: no more messages, then what was taken is stored, then the rest.
type service struct {
	cfg *config
	log *slog.Logger
	reg *prometheus.Registry

	store      *store.Store
	door       *ingest.Door
	broker     *broker.Broker
	subscriber *ingest.Subscriber
	web        *http.Server
	listener   net.Listener
	keptMail   func(delivery string) string // nil: mail is not kept
	planner    *notify.Planner
	deliverer  *notify.Deliverer
	failed     chan error

	undo []func(context.Context) // in order of start
}

const (
	evaluators  = 2
	deliverers  = 10 // connections to the database for those who tell people
	stopWithin  = 25 * time.Second
	upkeepEvery = time.Hour
)

func newService(cfg *config, log *slog.Logger) *service {
	reg := prometheus.NewRegistry()
	reg.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return &service{cfg: cfg, log: log, reg: reg, failed: make(chan error, 4)}
}

// start returns once messages are taken and pages are served.
func (s *service) start(ctx context.Context) error {
	for _, step := range []func(context.Context) error{s.startStore, s.startEvidence, s.startDoor, s.listen, s.startNotify, s.startWeb, s.startJobs, s.startEvaluation, s.startMQTT, s.startWeather} {
		if err := step(ctx); err != nil {
			s.stop()
			return err
		}
	}
	return nil
}

// stop ends everything within stopWithin.
func (s *service) stop() {
	ctx, cancel := context.WithTimeout(context.Background(), stopWithin)
	defer cancel()
	for i := len(s.undo) - 1; i >= 0; i-- {
		s.undo[i](ctx)
	}
	s.undo = nil
}

func (s *service) onStop(f func(context.Context)) { s.undo = append(s.undo, f) }

func (s *service) startStore(ctx context.Context) error {
	url, stop, err := s.cfg.database(ctx, s.log, false)
	if err != nil {
		return err
	}
	s.onStop(func(context.Context) {
		if err := stop(); err != nil {
			s.log.Error("stop Postgres", "error", err)
		}
	})
	s.planner = &notify.Planner{Now: time.Now}
	if s.store, err = store.Open(ctx, url, store.Options{Instance: s.cfg.instance, Log: s.log.With("part", "store"), InEvaluation: s.planner.InEvaluation, EvaluationConns: evaluators + deliverers, SealDelay: s.cfg.evidence.delay}); err != nil {
		return err
	}
	s.planner.Store = s.store
	s.onStop(func(context.Context) { s.store.Close() })
	if err := s.store.Migrate(ctx); err != nil {
		return err
	}
	if err := s.store.EnsurePartitions(ctx, time.Now()); err != nil {
		return err
	}
	if err := s.store.RefreshRegistry(ctx); err != nil {
		return err
	}
	return s.warnUnseparated(ctx)
}

// background runs f until the service stops, and waits for it then.
func (s *service) background(f func(context.Context)) {
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() { f(ctx) })
	s.onStop(func(context.Context) {
		cancel()
		wg.Wait()
	})
}

func (s *service) startDoor(context.Context) (err error) {
	s.door, err = ingest.NewDoor(ingest.DoorConfig{
		Sites: ingest.StoreSites(s.store.Registry), Recorder: s.store, Metrics: s.reg, Log: s.log.With("part", "ingest"),
	})
	if err != nil {
		return err
	}
	s.onStop(func(ctx context.Context) {
		if err := s.door.Close(ctx); err != nil {
			s.log.Error("close ingest", "error", err)
		}
	})
	return nil
}

func (s *service) startWeb(context.Context) (err error) {
	key, err := sessionKey(s.cfg.dataDir)
	if err != nil {
		return err
	}
	o := api.Options{
		SessionKey: key, SecureCookies: s.cfg.https, Links: s.deliverer.Links, KeptMail: s.keptMail,
		Source: api.FromStore(s.store, nil), Logger: s.log.With("part", "api"), Registry: s.reg,
		Ingest: func(context.Context) error { return s.taking() },
	}
	if err := s.cfg.access.apply(&o, s.publicURL()); err != nil {
		return err
	}
	if s.cfg.messaging.smtpURL != "" {
		o.Mail = linkMailer{s.deliverer}
	}
	handler := api.New(o)
	s.web = &http.Server{Handler: handler, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: time.Minute,
		WriteTimeout: 2 * time.Minute, IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 32 << 10}
	go func() {
		if err := s.web.Serve(s.listener); !errors.Is(err, http.ErrServerClosed) {
			s.failed <- fmt.Errorf("serve pages and API: %w", err)
		}
	}()
	s.onStop(func(ctx context.Context) {
		if err := s.web.Shutdown(ctx); err != nil {
			s.log.Warn("stop pages and API", "error", err)
		}
	})
	return nil
}

// taking is nil while messages can be taken and stored.
func (s *service) taking() error {
	if err := s.door.Ready(); err != nil {
		return err
	}
	if s.subscriber != nil && !s.subscriber.Connected() {
		return errors.New("not connected to the MQTT broker")
	}
	return nil
}

func (s *service) startEvaluation(context.Context) error {
	m := newEvaluationMetrics(s.reg)
	s.background(func(ctx context.Context) { s.store.RunEvaluators(ctx, evaluators, m.observe) })
	s.background(func(ctx context.Context) { s.store.KeepRegional(ctx, m.observeRegional) })
	return nil
}

// startMQTT comes last: whatever is taken can be stored, judged and shown.
func (s *service) startMQTT(context.Context) (err error) {
	if s.cfg.mqttURL == "" {
		err = s.startBroker()
	} else {
		err = s.startSubscriber()
	}
	if err != nil {
		return err
	}
	s.background(func(ctx context.Context) {
		s.store.KeepListening(ctx, func() bool { return s.taking() == nil })
	})
	return nil
}

func (s *service) startBroker() (err error) {
	s.broker, err = broker.New(broker.Config{
		Listen: s.cfg.mqttListen, Deliverer: s.door, Ready: s.door.Ready, Metrics: s.reg, Log: s.log.With("part", "broker"),
		CheckGateway: func(username, password string) (string, string, bool) {
			return s.store.Registry().CheckGateway(username, password)
		},
		Stands: func(username string, password [32]byte) bool {
			return s.store.Registry().GatewayStands(username, password, time.Now())
		},
	})
	if err != nil {
		return err
	}
	s.onStop(s.broker.Stop)
	s.background(s.recheckGateways)
	return nil
}

func (s *service) startSubscriber() (err error) {
	s.subscriber, err = ingest.NewSubscriber(ingest.SubscriberConfig{
		URL: s.cfg.mqttURL, ClientID: "underkeep-" + s.cfg.instance, Share: s.cfg.mqttShare,
		Door: s.door, Metrics: s.reg, Log: s.log.With("part", "mqtt"),
	})
	if err != nil {
		return err
	}
	s.background(s.subscriber.Run)
	return nil
}

// wait returns when the context ends, or with the error of a part that failed.
func (s *service) wait(ctx context.Context) error {
	select {
	case <-ctx.Done():
		s.log.Info("stopping")
		return nil
	case err := <-s.failed:
		return err
	}
}

// evaluationMetrics tell how evaluation keeps up.
type evaluationMetrics struct {
	readings, late, changes, failed prometheus.Counter
	lag                             prometheus.Histogram
	regional                        *prometheus.CounterVec
}

func newEvaluationMetrics(reg prometheus.Registerer) *evaluationMetrics {
	counter := func(name, help string) prometheus.Counter {
		c := prometheus.NewCounter(prometheus.CounterOpts{Namespace: "underkeep", Subsystem: "evaluation", Name: name, Help: help})
		reg.MustRegister(c)
		return c
	}
	m := &evaluationMetrics{
		readings: counter("readings_total", "Readings handed to evaluators, those evaluated again included."),
		late:     counter("rewinds_total", "Properties evaluated again from a checkpoint because of late data."),
		changes:  counter("alarm_changes_total", "Changes of alarms."),
		failed:   counter("failures_total", "Evaluations that failed; they are tried again."),
		lag: prometheus.NewHistogram(prometheus.HistogramOpts{Namespace: "underkeep", Subsystem: "evaluation",
			Name: "receipt_to_evaluation_seconds", Help: "From the receipt of a reading to the commit of its evaluation.",
			Buckets: []float64{.01, .025, .05, .1, .25, .5, 1, 2, 5, 10, 30, 60, 300}}),
	}
	m.regional = prometheus.NewCounterVec(prometheus.CounterOpts{Namespace: "underkeep", Name: "regional_event_changes_total",
		Help: "Changes of events of several houses with one cause, by kind and change."}, []string{"kind", "change"})
	reg.MustRegister(m.lag, m.regional)
	return m
}

func (m *evaluationMetrics) observeRegional(changes []store.RegionalChange) {
	for _, c := range changes {
		m.regional.WithLabelValues(string(c.Event.Kind), string(c.Kind)).Inc()
	}
}

func (m *evaluationMetrics) observe(e store.Evaluated) {
	m.readings.Add(float64(e.Readings))
	m.late.Add(float64(e.Late))
	m.changes.Add(float64(e.Changes))
	m.failed.Add(float64(e.Failed))
	if !e.Oldest.IsZero() {
		m.lag.Observe(time.Since(e.Oldest).Seconds())
	}
}
