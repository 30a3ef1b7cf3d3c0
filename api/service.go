package api

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"underkeep/alerting/region"
	"underkeep/api/view"
)

// health says that the process answers and nothing more: a supervisor that
// restarts on it must not restart because the database is away.
func (s *server) health(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	_, _ = io.WriteString(w, "alive\n")
}

type readiness struct {
	Ready  bool    `json:"ready"`
	Checks []check `json:"checks"`
}

type check struct {
	Name   string `json:"name"`
	OK     bool   `json:"ok"`
	Detail string `json:"detail,omitempty"`
}

// readyTimeout is short: whoever asks wants to know whether the service answers
// now.
const readyTimeout = 3 * time.Second

// ready tells the truth or says 503: database reachable, migrations done,
// readings taken, evaluation in time.
func (s *server) ready(w http.ResponseWriter, r *http.Request) {
	ctx, cancel := context.WithTimeout(r.Context(), readyTimeout)
	defer cancel()
	checks := s.checks()
	out := readiness{Ready: true, Checks: make([]check, len(checks))}
	// All at once: each has the whole time, and what is slow does not make those
	// after it look broken.
	var running sync.WaitGroup
	panics := make(chan any, len(checks))
	for i, c := range checks {
		running.Go(func() {
			defer func() {
				if v := recover(); v != nil {
					panics <- v
				}
			}()
			out.Checks[i] = s.judge(ctx, c)
		})
	}
	running.Wait()
	if len(panics) > 0 {
		panic(<-panics) // where the recoverer sees it; elsewhere it would end the service
	}
	for _, c := range out.Checks {
		out.Ready = out.Ready && c.OK
	}
	status := http.StatusOK
	if !out.Ready {
		status = http.StatusServiceUnavailable
	}
	w.Header().Set("Cache-Control", "no-store")
	s.writeJSON(w, r, status, out)
}

func (s *server) judge(ctx context.Context, c namedCheck) check {
	err := c.run(ctx)
	done := check{Name: c.name, OK: err == nil}
	if err == nil {
		return done
	}
	done.Detail = err.Error()
	// The reason may name hosts and users, which are nobody's business here.
	if c.private {
		s.Logger.WarnContext(ctx, "not ready", "check", c.name, "error", err)
		done.Detail = "does not answer; the log of the service has the reason"
	}
	return done
}

type namedCheck struct {
	name    string
	private bool
	run     func(context.Context) error
}

func (s *server) checks() []namedCheck {
	out := []namedCheck{
		{"database", true, s.Source.Ping},
		{"migrations", true, s.migrated},
		{"evaluation", false, s.evaluated},
	}
	if s.Ingest != nil {
		out = append(out, namedCheck{"ingest", true, s.Ingest})
	}
	return out
}

func (s *server) migrated(ctx context.Context) error {
	n, err := s.Source.PendingMigrations(ctx)
	if err == nil && n > 0 {
		err = fmt.Errorf("%d migrations are still to be applied", n)
	}
	return err
}

func (s *server) evaluated(ctx context.Context) error {
	lag, err := s.Source.EvaluationLag(ctx)
	switch {
	case err != nil && ctx.Err() != nil:
		s.Logger.WarnContext(ctx, "not ready", "check", "evaluation", "error", err)
		return fmt.Errorf("lag is not known: the database did not say within %s", readyTimeout)
	case err != nil:
		s.Logger.WarnContext(ctx, "not ready", "check", "evaluation", "error", err)
		return fmt.Errorf("lag is not known; the log of the service has the reason")
	case lag > s.MaxLag:
		return fmt.Errorf("readings wait for %s, more than %s", lag.Round(time.Second), s.MaxLag)
	}
	return nil
}

func (s *server) metrics() http.Handler {
	return promhttp.HandlerFor(s.Registry, promhttp.HandlerOpts{
		Timeout: 10 * time.Second, ErrorHandling: promhttp.ContinueOnError,
	})
}

// collector asks the database when it is scraped, so that the figures are right
// on every instance and after every restart.
type collector struct {
	source view.Source
	logger *slog.Logger
	alarms *prometheus.Desc
	lag    *prometheus.Desc
	up     *prometheus.Desc
	events *prometheus.Desc
	joined *prometheus.Desc
}

func newCollector(source view.Source, logger *slog.Logger) *collector {
	return &collector{
		source: source, logger: logger,
		alarms: prometheus.NewDesc("underkeep_alarms", "Alarms by state.", []string{"state"}, nil),
		lag:    prometheus.NewDesc("underkeep_evaluation_lag_seconds", "Age of the oldest reading that waits for evaluation.", nil, nil),
		events: prometheus.NewDesc("underkeep_regional_events", "Events of several houses with one cause that stand, by kind.", []string{"kind"}, nil),
		joined: prometheus.NewDesc("underkeep_regional_call_outs", "Call-outs in the regional events that stand, by kind.", []string{"kind"}, nil),
		up:     prometheus.NewDesc("underkeep_database_up", "1 when the database answered this scrape.", nil, nil),
	}
}

// Describe implements prometheus.Collector.
func (c *collector) Describe(ch chan<- *prometheus.Desc) {
	ch <- c.alarms
	ch <- c.lag
	ch <- c.up
	ch <- c.events
	ch <- c.joined
}

// Collect implements prometheus.Collector.
func (c *collector) Collect(ch chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), readyTimeout)
	defer cancel()
	counts, err := c.source.CountAlarms(ctx)
	lag, lagErr := c.source.EvaluationLag(ctx)
	events, joined, eventsErr := c.source.CountRegional(ctx)
	if err = firstError(err, lagErr, eventsErr); err != nil {
		c.logger.Warn("scrape", "error", err)
		ch <- prometheus.MustNewConstMetric(c.up, prometheus.GaugeValue, 0)
		return
	}
	ch <- prometheus.MustNewConstMetric(c.up, prometheus.GaugeValue, 1)
	ch <- prometheus.MustNewConstMetric(c.lag, prometheus.GaugeValue, lag.Seconds())
	for _, kind := range region.Kinds() {
		ch <- prometheus.MustNewConstMetric(c.events, prometheus.GaugeValue, float64(events[kind]), string(kind))
		ch <- prometheus.MustNewConstMetric(c.joined, prometheus.GaugeValue, float64(joined[kind]), string(kind))
	}
	for _, state := range view.States() {
		ch <- prometheus.MustNewConstMetric(c.alarms, prometheus.GaugeValue, float64(counts[state]), string(state))
	}
}
