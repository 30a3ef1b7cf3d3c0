// Package notify tells people what is wrong: it plans deliveries in the
// transaction that changed an alarm, sends them, tells the next people when
// nobody acknowledges, and writes the summaries.
//
// What it promises: nothing that was planned is lost, whatever is killed and
// when; and nobody is told twice of the same thing over the same channel, with
// one exception. When the service dies between the mail server's 250 and its
// own commit, nobody can know whether the message was taken; it is sent again,
// with the same Message-ID (webhooks: the same webhook-id), rather than lost.
package notify

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"strconv"
	"sync"
	"time"

	"github.com/riverqueue/river"

	"underkeep/alerting/notify/route"
	"underkeep/alerting/notify/send"
	"underkeep/alerting/notify/words"
	"underkeep/store"
)

// MailSender hands mail over; *send.Mailer does.
type MailSender interface {
	Send(ctx context.Context, m *send.Mail) send.Result
	Domain() string
}

// Deliverer works on deliveries. Its methods may be called from several
// goroutines.
type Deliverer struct {
	Store   *store.Store
	Planner *Planner
	Links   *Links
	Mail    MailSender    // nil: no mail server is set up
	Texts   *send.Gateway // nil: no gateway for text messages is set up
	Hooks   *send.Hooks
	Now     func() time.Time
	Log     *slog.Logger
	Metrics *Metrics // nil: none
	// Anchor is the evidence log's checkpoint for an owner's summary; nil: none.
	Anchor func(ctx context.Context) (string, error)

	// Service lists what service is due in the two weeks after a moment and which
	// sensors are overdue for a check, for the manager's week; nil: nothing known.
	Service func(ctx context.Context, at time.Time, l words.Lang) (due, checks []string, err error)

	charts cache
	// fault lets tests look on, or end the process, at a step of a delivery:
	// claimed, made, taken, noted; nil otherwise.
	fault func(step string, delivery int64)
}

func (d *Deliverer) step(name string, n *store.Notice) {
	if d.fault != nil {
		d.fault(name, n.ID)
	}
}

// flood is when single messages to one recipient give way to gathered ones:
// this many alarms within floodSpan, then one message every gatherEvery.
const (
	flood       = 10
	floodSpan   = 10 * time.Minute
	gatherEvery = 2 * time.Minute
	// regionalWait is how long an alarm that may be one of many waits until it is
	// known whether it is.
	regionalWait = 15 * time.Second
)

// Deliver works on one delivery. A zero again means that it is done with;
// otherwise the job is to come back then.
func (d *Deliverer) Deliver(ctx context.Context, job store.NoticeJob) (again time.Time, err error) {
	n, ok, until, err := d.Store.ClaimNotice(ctx, job, d.Now())
	if errors.Is(err, store.ErrNotFound) {
		return time.Time{}, nil
	}
	if err != nil || !ok {
		return until, err
	}
	d.step("claimed", &n)
	a, err := d.attempt(ctx, &n)
	if err != nil {
		// Something of ours, before anything left the house: try again.
		d.Log.Error("delivery", "delivery", n.ID, "error", err)
		a = store.Attempted{Outcome: "later", Detail: "the message could not be made: " + err.Error()}
		a = d.again(&n, a, 0)
	}
	// Whatever became of our context, what was sent is noted.
	fctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 15*time.Second)
	defer cancel()
	if err := d.Store.FinishNotice(fctx, &n, a, d.Now()); err != nil {
		return time.Time{}, err
	}
	d.step("noted", &n)
	d.Metrics.observe(&n, a, d.Now())
	if a.State == store.NoticeWaiting {
		return a.Again, nil
	}
	return time.Time{}, nil
}

// attempt decides about a claimed delivery and, if it is still to be told, tells it.
func (d *Deliverer) attempt(ctx context.Context, n *store.Notice) (store.Attempted, error) {
	if a, done := d.unwanted(n); done {
		return a, nil
	}
	c, err := d.Planner.Current(ctx)
	if err != nil {
		return store.Attempted{}, err
	}
	switch n.Purpose {
	case store.ToldAlarm, store.ToldReturn, store.ToldCorrection:
		return d.aboutCallOut(ctx, n, c)
	case store.ToldEvent:
		return d.event(ctx, n)
	}
	m, empty, err := d.other(ctx, n, c)
	if err != nil {
		return store.Attempted{}, err
	}
	if empty != "" {
		return moot(empty), nil
	}
	return d.hand(ctx, n, &m, 0), nil
}

func moot(why string) store.Attempted {
	return store.Attempted{State: store.NoticeMoot, Detail: why}
}

// unwanted is done with what need not or cannot be told at all.
func (d *Deliverer) unwanted(n *store.Notice) (store.Attempted, bool) {
	now := d.Now()
	switch {
	case now.After(n.ExpiresAt):
		return store.Attempted{State: store.NoticeDead, Detail: "not delivered by " + n.ExpiresAt.Format(time.RFC3339) + "; last: " + n.Outcome}, true
	case !n.Person.Disabled.IsZero():
		return moot("the person has been disabled"), true
	case n.Channel == store.ByText && d.Texts == nil:
		return moot("no gateway for text messages is set up"), true
	case n.Channel == store.ByMail && d.Mail == nil:
		return store.Attempted{State: store.NoticeDead, Detail: "no mail server is set up"}, true
	case n.Stopped && n.Purpose != store.ToldSignIn:
		return moot("the address wants no messages"), true
	}
	return store.Attempted{}, false
}

func (d *Deliverer) aboutCallOut(ctx context.Context, n *store.Notice, c *route.Config) (store.Attempted, error) {
	now := d.Now()
	alarms, err := d.Store.CallOutAlarms(ctx, n.Property, n.Subject, now)
	if err != nil {
		return store.Attempted{}, err
	}
	siblings, err := d.Store.Siblings(ctx, n)
	if err != nil {
		return store.Attempted{}, err
	}
	v := decide(n, alarms, siblings, now)
	if v.do == tell && n.Purpose == store.ToldAlarm && !v.late {
		if v, err = d.crowd(ctx, n, alarms, v); err != nil {
			return store.Attempted{}, err
		}
	}
	switch v.do {
	case drop:
		return moot(v.why), nil
	case wait:
		return store.Attempted{State: store.NoticeWaiting, Again: v.until, Detail: v.why}, nil
	case gather:
		return store.Attempted{State: store.NoticeGathered, Detail: "told with others", Follow: []store.NewNotice{carrier(n, v.why, now)}}, nil
	}
	m, err := d.about(ctx, n, alarms, v.late, c)
	if err != nil {
		return store.Attempted{}, err
	}
	return d.hand(ctx, n, &m, rootOf(n, siblings)), nil
}

// crowd holds a message to the company back where it is one of many: part of a
// regional event, or of a flood. The owner has one house and gets its message.
func (d *Deliverer) crowd(ctx context.Context, n *store.Notice, alarms []store.AlarmRecord, v verdict) (verdict, error) {
	if n.Audience == "owner" || n.Step > 0 {
		return v, nil
	}
	now := d.Now()
	event, pending, err := d.Store.RegionalOfNotice(ctx, n)
	switch {
	case err != nil:
		return v, err
	case event != 0:
		return verdict{do: gather, why: "region:" + strconv.FormatInt(event, 10)}, nil
	case pending && n.Level < 4 && now.Before(n.CreatedAt.Add(regionalWait)):
		return verdict{do: wait, until: now.Add(2 * time.Second), why: "whether other houses have the same is being looked at"}, nil
	}
	told, err := d.Store.ToldLately(ctx, n.Channel, n.Recipient, now.Add(-floodSpan))
	if err == nil && told >= flood {
		return verdict{do: gather, why: "flood"}, nil
	}
	return v, err
}

// carrier is the delivery that tells of gathered ones. Its round counts the
// spans of time, so that what comes later gets a message of its own.
func carrier(n *store.Notice, why string, now time.Time) store.NewNotice {
	c := store.NewNotice{Subject: why, Purpose: store.ToldGathered, Channel: n.Channel, Recipient: n.Recipient, Person: n.Person.ID,
		DueAt: now.Truncate(gatherEvery).Add(gatherEvery), ExpiresAt: now.Add(4 * 24 * time.Hour)}
	if digest(n) {
		c.Purpose, c.Subject, c.DueAt = store.ToldDigest, "digest:"+n.DueAt.UTC().Format(time.RFC3339), now.Add(time.Minute)
		return c
	}
	c.Subject += ":" + c.DueAt.UTC().Format(time.RFC3339)
	return c
}

func digest(n *store.Notice) bool {
	var c content
	_ = json.Unmarshal(n.Content, &c) // only our own content has the field
	return c.Digest
}

// hand gives a message to its channel and says what came of it.
func (d *Deliverer) hand(ctx context.Context, n *store.Notice, m *message, root int64) store.Attempted {
	var r send.Result
	d.step("made", n)
	if n.Channel == store.ByText {
		r = d.Texts.Send(ctx, &send.Text{ID: fmt.Sprintf("delivery-%d-%d", n.Property, n.ID), To: n.Recipient, Text: m.text})
	} else {
		r = d.Mail.Send(ctx, d.post(n, m, root))
	}
	d.step("taken", n)
	return d.outcome(n, r)
}

func (d *Deliverer) outcome(n *store.Notice, r send.Result) store.Attempted {
	switch r.Kind {
	case send.Sent:
		return store.Attempted{Outcome: "sent", State: store.NoticeSent, Detail: r.Detail}
	case send.Refused, send.Gone:
		return store.Attempted{Outcome: "refused", State: store.NoticeDead, Detail: r.Detail}
	}
	return d.again(n, store.Attempted{Outcome: "later", Detail: r.Detail}, r.After)
}

// again sets the time of the next attempt, or gives up when none is left before
// the message expires.
func (d *Deliverer) again(n *store.Notice, a store.Attempted, after time.Duration) store.Attempted {
	at := d.Now().Add(max(retryAfter(n.Attempts), after))
	if at.After(n.ExpiresAt) {
		a.State = store.NoticeDead
		return a
	}
	a.State, a.Again = store.NoticeWaiting, at
	return a
}

// event tells a webhook.
func (d *Deliverer) event(ctx context.Context, n *store.Notice) (store.Attempted, error) {
	id, err := strconv.ParseInt(n.Recipient, 10, 32)
	if err != nil {
		return moot("no such webhook"), nil
	}
	w, err := d.Store.Webhook(ctx, int32(id))
	if errors.Is(err, store.ErrNotFound) || err == nil && !w.Disabled.IsZero() {
		return moot("the webhook is disabled"), nil
	}
	if err != nil {
		return store.Attempted{}, err
	}
	secrets := [][]byte{w.Secret}
	if w.OldSecret != nil && d.Now().Before(w.OldUntil) {
		secrets = append(secrets, w.OldSecret)
	}
	r := d.Hooks.Send(ctx, &send.Webhook{URL: w.URL, ID: fmt.Sprintf("delivery-%d-%d", n.Property, n.ID), Secrets: secrets, Body: n.Content})
	if r.Kind == send.Gone {
		if err := d.Store.DisableWebhook(ctx, w.ID, "it answered 410", d.Now()); err != nil {
			return store.Attempted{}, err
		}
	}
	return d.outcome(n, r), nil
}

// worker carries deliveries out of the queue.
type worker struct {
	river.WorkerDefaults[store.NoticeJob]
	d *Deliverer
}

// Work does one turn of a delivery.
func (w *worker) Work(ctx context.Context, job *river.Job[store.NoticeJob]) error {
	again, err := w.d.Deliver(ctx, job.Args)
	if err != nil {
		return err
	}
	if again.IsZero() {
		return nil
	}
	return river.JobSnooze(max(again.Sub(w.d.Now()), 0))
}

// NextRetry of a job that failed for reasons of our own, such as a database away.
func (w *worker) NextRetry(*river.Job[store.NoticeJob]) time.Time {
	return time.Now().Add(15 * time.Second)
}

// Register adds the worker of deliveries to a process's jobs.
func (d *Deliverer) Register(w *river.Workers) { river.AddWorker(w, &worker{d: d}) }

// Queues is how many deliveries of each channel are worked on at once. Channels
// have queues of their own: a slow one keeps no other waiting.
func Queues() map[string]int {
	return map[string]int{string(store.ByMail): 12, string(store.ByText): 2, string(store.ByWebhook): 4}
}

// cache keeps the charts of the last messages: owner and manager get the same.
type cache struct {
	mu   sync.Mutex
	kept map[string][]byte
}

const maxCharts = 256

func (c *cache) get(key string) ([]byte, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	b, ok := c.kept[key]
	return b, ok
}

func (c *cache) put(key string, b []byte) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.kept == nil || len(c.kept) >= maxCharts {
		c.kept = map[string][]byte{}
	}
	c.kept[key] = b
}
