package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/mail"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"underkeep/alerting/notify"
	"underkeep/store"
)

const mailUsage = `Usage: underkeep mail test ADDRESS
       underkeep mail stopped
       underkeep mail resume ADDRESS
"test" has the running service send a message; "stopped" lists the addresses that asked for none, and
"resume" writes to one of them again.`

// runMail tries a mail server out and looks after addresses that want no mail.
func runMail(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	fs, cfg := newFlags("mail", stderr)
	if len(args) == 0 {
		fmt.Fprintln(stderr, mailUsage)
		return exitUsage
	}
	verb, rest, address := args[0], args[1:], ""
	if verb != "stopped" && len(rest) > 0 {
		a, err := mail.ParseAddress(rest[0])
		if err != nil {
			fmt.Fprintf(stderr, "underkeep mail %s: %q is no mail address\n", verb, rest[0])
			return exitUsage
		}
		address, rest = a.Address, rest[1:]
	}
	do := map[string]func(*store.Store) error{
		"test":    func(s *store.Store) error { return testMail(ctx, s, address, stdout) },
		"stopped": func(s *store.Store) error { return listStopped(ctx, s, stdout) },
		"resume":  func(s *store.Store) error { return resumeMail(ctx, s, address, stdout) },
	}[verb]
	if err := fs.Parse(rest); err != nil || fs.NArg() > 0 || do == nil || verb != "stopped" && address == "" {
		fmt.Fprintln(stderr, mailUsage)
		return exitUsage
	}
	return report(stderr, "mail "+verb, cfg.withStore(ctx, stderr, do))
}

func testMail(ctx context.Context, s *store.Store, address string, stdout io.Writer) error {
	now := time.Now()
	if _, err := s.EnqueueNotices(ctx, now, notify.TestNotice(store.ByMail, address, 0, now)); err != nil {
		return err
	}
	if err := s.Note(ctx, store.AuditEntry{Actor: operator(), Action: "test-message", Object: "mail to " + address}); err != nil {
		return err
	}
	fmt.Fprintln(stdout, "the service sends a test message within seconds, or within an hour from its start; what came of it is on the page Messages")
	return nil
}

func listStopped(ctx context.Context, s *store.Store, stdout io.Writer) error {
	list, err := s.StoppedMail(ctx)
	for _, a := range list {
		fmt.Fprintf(stdout, "%s\t%s\t%s\n", a.Address, a.At.Format(time.RFC3339), a.How)
	}
	return err
}

func resumeMail(ctx context.Context, s *store.Store, address string, stdout io.Writer) error {
	resumed, err := s.ResumeMail(ctx, address, operator())
	if err == nil && !resumed {
		return errors.New("this address had not asked for no mail")
	}
	if err == nil {
		fmt.Fprintln(stdout, "messages go to "+address+" again")
	}
	return err
}

// deliveryCollector tells how many deliveries stand where, from the database, so
// that every instance says the same.
type deliveryCollector struct {
	store *store.Store
	count *prometheus.Desc
}

func newDeliveryCollector(st *store.Store) *deliveryCollector {
	return &deliveryCollector{st, prometheus.NewDesc("underkeep_deliveries", "Deliveries by channel and state, the finished ones of the last day; those given up until somebody takes them up.",
		[]string{"channel", "state"}, nil)}
}

// Describe implements prometheus.Collector.
func (c *deliveryCollector) Describe(ch chan<- *prometheus.Desc) { ch <- c.count }

// Collect implements prometheus.Collector.
func (c *deliveryCollector) Collect(ch chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), 3*time.Second)
	defer cancel()
	counts, err := c.store.CountNotices(ctx, time.Now())
	if err != nil {
		return // the database's own metric says that it does not answer
	}
	for channel, states := range counts {
		for _, state := range store.NoticeStates() {
			ch <- prometheus.MustNewConstMetric(c.count, prometheus.GaugeValue, float64(states[state]), string(channel), string(state))
		}
	}
}
