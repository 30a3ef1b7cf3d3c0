package ingest

import (
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"underkeep/store"
)

// metrics of the way in. Names end as the unit does; labels come from bounded
// sets.
type metrics struct {
	received    *prometheus.CounterVec // by kind
	stored      prometheus.Counter
	duplicate   prometheus.Counter
	quarantined *prometheus.CounterVec // by reason
	batch       prometheus.Histogram
	commit      prometheus.Histogram
	failures    prometheus.Counter
	waiting     prometheus.Gauge
	ready       prometheus.Gauge
}

func newMetrics(reg prometheus.Registerer) *metrics {
	const ns, sub = "underkeep", "ingest"
	counter := func(name, help string) prometheus.CounterOpts {
		return prometheus.CounterOpts{Namespace: ns, Subsystem: sub, Name: name, Help: help}
	}
	m := &metrics{
		received:    prometheus.NewCounterVec(counter("messages_received_total", "Messages taken from a broker, by kind of topic."), []string{"kind"}),
		stored:      prometheus.NewCounter(counter("readings_stored_total", "New readings committed.")),
		duplicate:   prometheus.NewCounter(counter("readings_duplicate_total", "Readings delivered again that were stored already.")),
		quarantined: prometheus.NewCounterVec(counter("quarantined_total", "Records and messages sent to quarantine, by reason."), []string{"reason"}),
		failures:    prometheus.NewCounter(counter("commit_failures_total", "Transactions that failed and were tried again.")),
		batch: prometheus.NewHistogram(prometheus.HistogramOpts{Namespace: ns, Subsystem: sub, Name: "batch_records",
			Help: "Records committed in one transaction.", Buckets: []float64{1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 20000, 100000}}),
		commit: prometheus.NewHistogram(prometheus.HistogramOpts{Namespace: ns, Subsystem: sub, Name: "commit_seconds",
			Help: "Time of one transaction, its retries excluded.", Buckets: prometheus.ExponentialBuckets(0.0005, 2, 16)}),
		waiting: prometheus.NewGauge(prometheus.GaugeOpts{Namespace: ns, Subsystem: sub, Name: "waiting_messages",
			Help: "Messages received and not committed yet."}),
		ready: prometheus.NewGauge(prometheus.GaugeOpts{Namespace: ns, Subsystem: sub, Name: "ready",
			Help: "1 while the last transaction went through."}),
	}
	// All label values of both sets exist from the start, so that a rate over
	// the first occurrence is not missed.
	for _, k := range []Kind{KindForeign, KindReadings, KindPresence} {
		m.received.WithLabelValues(k.String())
	}
	m.ready.Set(1)
	if reg != nil {
		reg.MustRegister(m.received, m.stored, m.duplicate, m.quarantined, m.batch, m.commit, m.failures, m.waiting, m.ready)
	}
	return m
}

func (m *metrics) committed(r store.Recorded, records int, took time.Duration) {
	m.stored.Add(float64(r.Stored))
	m.duplicate.Add(float64(r.Duplicate))
	for reason, n := range r.Quarantined {
		m.quarantined.WithLabelValues(string(reason)).Add(float64(n))
	}
	m.batch.Observe(float64(records))
	m.commit.Observe(took.Seconds())
	m.ready.Set(1)
}
