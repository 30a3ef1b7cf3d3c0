package api

import (
	"context"
	"log/slog"
	"net/http"
	"strconv"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"underkeep/alerting"
	"underkeep/alerting/load"
	"underkeep/api/view"
)

// longestLoad bounds what one question may make the database read.
const longestLoad = 400 * 24 * time.Hour

const loadNote = "Figures of ANSI/ISA-18.2-2016 and EEMUA 191, which were made for staffed control rooms; reported, no conformity claimed."

type loadOut struct {
	From        *string          `json:"from"`
	To          *string          `json:"to"`
	Operators   int              `json:"operators"`
	Enough      bool             `json:"enough"`
	Note        string           `json:"note"`
	Alarms      int              `json:"alarms"`
	Escalations int              `json:"escalations"`
	Joined      int              `json:"joined"`
	Regional    int              `json:"regional_events"`
	Suppressed  int              `json:"suppressed_by_design"`
	Held        int              `json:"held"`
	Shelved     int              `json:"shelved"`
	OutOf       int              `json:"out_of_service"`
	Rate        rateOut          `json:"rate"`
	Floods      []floodOut       `json:"floods"`
	InFlood     float64          `json:"share_in_flood"`
	Chattering  []alarmCountOut  `json:"chattering"`
	Stale       staleOut         `json:"stale"`
	TopTen      []alarmCountOut  `json:"top_ten"`
	TopTenShare float64          `json:"top_ten_share"`
	Priorities  []priorityMixOut `json:"priorities"`
}

type rateOut struct {
	PerHour    float64 `json:"per_hour"`
	Per10Min   float64 `json:"per_10_min"`
	PerDay     float64 `json:"per_day"`
	Most       float64 `json:"most_in_10_min"`
	Intervals  int     `json:"intervals"`
	Above      int     `json:"intervals_above_10"`
	ShareAbove float64 `json:"share_above_10"`
}

type floodOut struct {
	From   *string `json:"from"`
	To     *string `json:"to"`
	Alarms int     `json:"alarms"`
	Ended  bool    `json:"ended"`
}

type staleOut struct {
	AtEnd int `json:"at_end"`
	Most  int `json:"most"`
}

type alarmCountOut struct {
	Property  string  `json:"property"`
	Condition string  `json:"condition"`
	Point     *string `json:"point"`
	Alarms    int     `json:"alarms"`
}

type priorityMixOut struct {
	Priority string  `json:"priority"`
	Alarms   int     `json:"alarms"`
	Share    float64 `json:"share"`
}

func showLoad(r load.Report) loadOut {
	out := loadOut{
		From: stamp(r.From), To: stamp(r.To), Operators: r.Operators, Enough: r.Enough(), Note: loadNote,
		Alarms: r.Alarms, Escalations: r.Escalations, Joined: r.Joined, Regional: r.Regional, Suppressed: r.Suppressed, Held: r.Held,
		Shelved: r.ShelvedNow, OutOf: r.OutOfServiceNow,
		Rate: rateOut{PerHour: r.PerHour, Per10Min: r.Per10Min, PerDay: r.PerDay, Most: r.MostPer10Min,
			Intervals: r.Intervals, Above: r.IntervalsAbove, ShareAbove: r.ShareAbove()},
		Floods: []floodOut{}, InFlood: r.ShareInFlood(), Chattering: showCounts(r.Chattering),
		Stale: staleOut{r.Stale, r.MostStale}, TopTen: showCounts(r.TopTen), TopTenShare: r.ShareTopTen(),
	}
	for _, f := range r.Floods {
		out.Floods = append(out.Floods, floodOut{stamp(f.From), stamp(f.To), f.Alarms, f.Ended})
	}
	for p := alerting.Low; p <= alerting.Urgent; p++ {
		out.Priorities = append(out.Priorities, priorityMixOut{p.String(), r.ByPriority[p], r.SharePriority(p)})
	}
	return out
}

func showCounts(counts []load.Count) []alarmCountOut {
	out := make([]alarmCountOut, 0, len(counts))
	for _, c := range counts {
		out = append(out, alarmCountOut{c.Property, string(c.Condition), orNull(c.Point), c.Alarms})
	}
	return out
}

func (s *server) alarmLoad(w http.ResponseWriter, r *http.Request) {
	q := query(r, "from", "to", "operators")
	p := load.Period{To: q.timeOr("to", s.Now()), Operators: q.operators()}
	p.From = q.timeOr("from", p.To.Add(-load.LeastPeriod))
	switch length := p.To.Sub(p.From); {
	case length <= 0:
		q.bad("from is not before to")
	case length > longestLoad:
		q.bad("from %s to %s is more than 400 days", p.From.Format(time.RFC3339), p.To.Format(time.RFC3339))
	}
	if q.err != nil {
		s.fail(w, r, q.err)
		return
	}
	report, err := s.Source.AlarmLoad(r.Context(), scope(r), p)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.writeJSON(w, r, http.StatusOK, showLoad(report))
}

func (p *params) operators() int {
	v := p.values.Get("operators")
	if v == "" {
		return 1
	}
	n, err := strconv.Atoi(v)
	if err != nil || n < 1 || n > 1000 {
		p.bad("operators: a whole number from 1 to 1000 is needed")
	}
	return n
}

// loadCollector shows the alarm load of the whole fleet over the last day, for
// one operator. It asks the database at most once in loadKept, however often
// it is scraped.
type loadCollector struct {
	source view.Source
	logger *slog.Logger
	now    func() time.Time
	gauges []loadGauge
	mix    *prometheus.Desc

	mu    sync.Mutex
	at    time.Time // of the last answer; zero: none yet
	last  load.Report
	valid bool
}

type loadGauge struct {
	desc  *prometheus.Desc
	value func(*load.Report) float64
}

const (
	loadKept = time.Minute
	loadOver = 24 * time.Hour
)

func newLoadCollector(source view.Source, logger *slog.Logger, now func() time.Time) *loadCollector {
	c := &loadCollector{source: source, logger: logger, now: now,
		mix: prometheus.NewDesc("underkeep_alarm_load_alarms", "Alarms annunciated in the last 24 hours, by priority.", []string{"priority"}, nil)}
	gauge := func(name, help string, value func(*load.Report) float64) {
		c.gauges = append(c.gauges, loadGauge{prometheus.NewDesc("underkeep_alarm_load_"+name, help+".", nil, nil), value})
	}
	gauge("per_hour", "Alarms per hour over the last 24 hours, for one operator", func(r *load.Report) float64 { return r.PerHour })
	gauge("most_per_10_min", "Most alarms in ten minutes by the clock, last 24 hours", func(r *load.Report) float64 { return r.MostPer10Min })
	gauge("above_10_ratio", "Share of ten-minute intervals with more than ten alarms, last 24 hours", (*load.Report).ShareAbove)
	gauge("floods", "Floods: over ten alarms in any ten minutes, until fewer than five; last 24 hours", func(r *load.Report) float64 { return float64(len(r.Floods)) })
	gauge("flood_seconds", "Time in flood, last 24 hours", func(r *load.Report) float64 { return r.TimeInFlood.Seconds() })
	gauge("chattering", "Conditions at a point raised three times or more within an hour, last 24 hours", func(r *load.Report) float64 { return float64(len(r.Chattering)) })
	gauge("stale", "Alarms that have stood annunciated for more than 24 hours", func(r *load.Report) float64 { return float64(r.Stale) })
	gauge("top_ten_ratio", "Share of the ten most frequent conditions at a point, last 24 hours", (*load.Report).ShareTopTen)
	gauge("suppressed", "Alarms suppressed by design, last 24 hours", func(r *load.Report) float64 { return float64(r.Suppressed) })
	gauge("held", "Alarms that began while shelved or out of service, last 24 hours", func(r *load.Report) float64 { return float64(r.Held) })
	return c
}

// Describe implements prometheus.Collector.
func (c *loadCollector) Describe(ch chan<- *prometheus.Desc) {
	ch <- c.mix
	for _, g := range c.gauges {
		ch <- g.desc
	}
}

// Collect implements prometheus.Collector. While the database does not answer
// there are no figures; underkeep_database_up says why.
func (c *loadCollector) Collect(ch chan<- prometheus.Metric) {
	r, ok := c.report()
	if !ok {
		return
	}
	for _, g := range c.gauges {
		ch <- prometheus.MustNewConstMetric(g.desc, prometheus.GaugeValue, g.value(&r))
	}
	for p := alerting.Low; p <= alerting.Urgent; p++ {
		ch <- prometheus.MustNewConstMetric(c.mix, prometheus.GaugeValue, float64(r.ByPriority[p]), p.String())
	}
}

// report is the last one, or a new one where that is old. A failure is kept as
// long, so that a database in trouble is not asked at every scrape.
func (c *loadCollector) report() (load.Report, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	now := c.now()
	if age := now.Sub(c.at); !c.at.IsZero() && age >= 0 && age < loadKept {
		return c.last, c.valid
	}
	ctx, cancel := context.WithTimeout(context.Background(), readyTimeout)
	defer cancel()
	r, err := c.source.AlarmLoad(ctx, view.Scope{All: true}, load.Period{From: now.Add(-loadOver), To: now, Operators: 1})
	if err != nil {
		c.logger.Warn("scrape", "figures", "alarm load", "error", err)
	}
	c.at, c.last, c.valid = now, r, err == nil
	return c.last, c.valid
}
