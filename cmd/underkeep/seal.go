package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"underkeep/store"
)

// evidenceConfig says how days are sealed.
type evidenceConfig struct {
	delay, hotWindow time.Duration
	origin           string
	off              bool
}

const (
	sealEvery       = 10 * time.Minute
	sealCommandTime = 12 * time.Hour
	keyOverlap      = 90 * 24 * time.Hour
)

// evidenceFlags adds what the service and the commands of the log share.
func (c *config) evidenceFlags(fs *flag.FlagSet) {
	e := &c.evidence
	fs.DurationVar(&e.delay, "seal-delay", envDuration("UNDERKEEP_SEAL_DELAY", store.DefaultSealDelay), "`time` after the end of a local day until it is sealed")
	fs.DurationVar(&e.hotWindow, "hot-window", envDuration("UNDERKEEP_HOT_WINDOW", store.DefaultHotWindow), "`time` for which raw rows are kept beside sealed days; 0: for good")
	fs.StringVar(&e.origin, "log-origin", os.Getenv("UNDERKEEP_LOG_ORIGIN"), "`name` of the evidence log, for its first key; empty: a random one")
	fs.BoolVar(&e.off, "no-seal", os.Getenv("UNDERKEEP_NO_SEAL") == "true", "leave sealing to another instance, which has the keys")
}

// envDuration reads a duration; a wrong one is left to the flag to refuse, as
// a negative one.
func envDuration(name string, fallback time.Duration) time.Duration {
	v := os.Getenv(name)
	if v == "" {
		return fallback
	}
	d, err := time.ParseDuration(v)
	if err != nil {
		return -1
	}
	return d
}

func (e *evidenceConfig) check() error {
	if e.delay < 0 || e.hotWindow < 0 {
		return errors.New("seal delay and hot window: want times such as 72h, not negative")
	}
	return nil
}

// keyring opens the keys of the log, and makes the first one where there is no
// log yet: a log whose keys are gone must not get others in silence.
func (c *config) keyring(ctx context.Context, st *store.Store) (*store.Keyring, error) {
	folder := filepath.Join(c.dataDir, "evidence")
	keys, err := store.OpenKeyring(folder)
	if err == nil || !errors.Is(err, store.ErrNoKey) {
		return keys, err
	}
	if _, err := st.EvidenceKeys(ctx); !errors.Is(err, store.ErrNotFound) {
		return nil, errors.Join(fmt.Errorf("there is an evidence log, and its keys are not in %s: bring them back, or seal where they are (--no-seal here)", folder), err)
	}
	return store.CreateKeyring(folder, c.evidence.origin)
}

func (c *config) sealOptions(keys *store.Keyring, workers int) store.SealOptions {
	return store.SealOptions{Keys: keys, Delay: c.evidence.delay, HotWindow: c.evidence.hotWindow, Workers: workers}
}

// startEvidence verifies the log and seals from now on. A log that does not
// verify ends the start: somebody has to look before more is promised.
func (s *service) startEvidence(ctx context.Context) error {
	if err := s.cfg.evidence.check(); err != nil {
		return err
	}
	if s.cfg.evidence.off {
		return nil
	}
	keys, err := s.cfg.keyring(ctx, s.store)
	if err != nil {
		return err
	}
	if _, err := s.store.VerifyLog(ctx, keys, false); err != nil {
		return err
	}
	m := newEvidenceMetrics(s.reg)
	s.background(func(ctx context.Context) {
		tick := time.NewTicker(sealEvery)
		defer tick.Stop()
		for {
			s.sealOnce(ctx, keys, m)
			select {
			case <-ctx.Done():
				return
			case <-tick.C:
			}
		}
	})
	return nil
}

func (s *service) sealOnce(ctx context.Context, keys *store.Keyring, m *evidenceMetrics) {
	out, err := s.store.Seal(ctx, s.cfg.sealOptions(keys, 1), time.Now())
	m.records.Add(float64(out.Days + out.Amendments))
	switch {
	case err == nil:
		m.size.Set(float64(out.Records))
		if out.Days+out.Amendments+out.Dropped > 0 {
			s.log.Info("sealed", "days", out.Days, "amendments", out.Amendments, "readings", out.Readings, "records", out.Records, "dropped", out.Dropped)
		}
	case ctx.Err() != nil || errors.Is(err, store.ErrConflict): // stopping, or another instance is at it
	default:
		m.failed.Inc()
		s.log.Error("seal", "error", err)
	}
}

type evidenceMetrics struct {
	records, failed prometheus.Counter
	size            prometheus.Gauge
}

func newEvidenceMetrics(reg prometheus.Registerer) *evidenceMetrics {
	const namespace, subsystem = "underkeep", "evidence"
	m := &evidenceMetrics{
		records: prometheus.NewCounter(prometheus.CounterOpts{Namespace: namespace, Subsystem: subsystem, Name: "records_total", Help: "Days and amendments sealed by this instance."}),
		failed:  prometheus.NewCounter(prometheus.CounterOpts{Namespace: namespace, Subsystem: subsystem, Name: "failures_total", Help: "Runs of sealing that failed; they are tried again."}),
		size:    prometheus.NewGauge(prometheus.GaugeOpts{Namespace: namespace, Subsystem: subsystem, Name: "log_records", Help: "Records in the evidence log."}),
	}
	reg.MustRegister(m.records, m.failed, m.size)
	return m
}

const sealUsage = `Usage: underkeep seal [--verify | --rotate-key [--overlap TIME]]

Seals every finished day whose delay has passed, and drops raw rows that are
older than the hot window. The service does the same by itself.

  --verify       only checks the whole log, each sealed text included
  --rotate-key   makes a new key; both sign until the overlap is over
`

// runSeal seals, verifies the whole log, or changes its key.
func runSeal(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	fs, cfg := newFlags("seal", stderr)
	cfg.evidenceFlags(fs)
	verify := fs.Bool("verify", false, "only check the whole log")
	rotate := fs.Bool("rotate-key", false, "make a new key")
	overlap := fs.Duration("overlap", keyOverlap, "`time` for which the key before signs too")
	fs.Usage = func() { fmt.Fprint(stderr, sealUsage); fs.PrintDefaults() }
	if err := fs.Parse(args); err != nil || fs.NArg() > 0 || *verify && *rotate || *overlap < 0 {
		return exitUsage
	}
	if err := cfg.evidence.check(); err != nil {
		fmt.Fprintf(stderr, "underkeep seal: %v\n", err)
		return exitUsage
	}
	err := cfg.withStoreFor(ctx, sealCommandTime, stderr, func(ctx context.Context, st *store.Store) error {
		keys, err := cfg.keyring(ctx, st)
		if err != nil {
			return err
		}
		if *verify {
			return printVerified(ctx, st, keys, stdout)
		}
		if *rotate {
			if err := keys.Rotate(time.Now().Add(*overlap)); err != nil {
				return err
			}
		}
		out, err := st.Seal(ctx, cfg.sealOptions(keys, 2), time.Now())
		if err == nil {
			fmt.Fprintf(stdout, "sealed %d days and %d amendments with %d readings; %d records in the log %s\n",
				out.Days, out.Amendments, out.Readings, out.Records, keys.Origin())
		}
		return err
	})
	if err != nil {
		fmt.Fprintf(stderr, "underkeep seal: %v\n", err)
		return exitNo
	}
	return exitOK
}

func printVerified(ctx context.Context, st *store.Store, keys *store.Keyring, stdout io.Writer) error {
	n, err := st.VerifyLog(ctx, keys, true)
	if err == nil {
		fmt.Fprintf(stdout, "the log %s verifies: %d records\n", keys.Origin(), n)
	}
	return err
}
