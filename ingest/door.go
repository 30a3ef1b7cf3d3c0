package ingest

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"underkeep/ingest/senml"
	"underkeep/store"
)

// Errors of a Door.
var (
	// ErrClosed: the door no longer takes messages.
	ErrClosed = errors.New("ingest is closed")
	// ErrNotReady: the last transaction failed and none has gone through since.
	ErrNotReady = errors.New("readings cannot be stored")
)

// DoorConfig of a Door. Sites and Recorder are required; other zero fields take
// the default.
type DoorConfig struct {
	Sites    Sites
	Recorder Recorder

	Limits senml.Limits // of one pack

	// BatchRecords is how many records one transaction takes at most, a single
	// larger message excepted. Default store.MaxBatch (5,000).
	BatchRecords int
	// WaitingRecords and WaitingBytes bound what is received and not committed
	// yet. A message larger than half of either is let in while the other half
	// is free. Defaults 50,000 and 128 MB (128<<20).
	WaitingRecords, WaitingBytes int
	// CommitTimeout of one attempt; longer than the store's own timeouts, so that
	// those speak first. Default 40 s.
	CommitTimeout time.Duration
	// RetryFirst and RetryMost are the first and the longest pause before a
	// failed transaction is tried again. Defaults 50 ms and 2 s.
	RetryFirst, RetryMost time.Duration

	Metrics prometheus.Registerer // nil: not exported
	Log     *slog.Logger          // default slog.Default()
}

func (c DoorConfig) withDefaults() (DoorConfig, error) {
	if c.Sites == nil || c.Recorder == nil {
		return c, errors.New("ingest: a door needs Sites and a Recorder")
	}
	for _, d := range []struct{ v, def *int }{
		{&c.BatchRecords, new(store.MaxBatch)}, {&c.WaitingRecords, new(50_000)}, {&c.WaitingBytes, new(128 << 20)},
	} {
		if *d.v <= 0 {
			*d.v = *d.def
		}
	}
	for _, d := range []struct {
		v   *time.Duration
		def time.Duration
	}{{&c.CommitTimeout, 40 * time.Second}, {&c.RetryFirst, 50 * time.Millisecond}, {&c.RetryMost, 2 * time.Second}} {
		if *d.v <= 0 {
			*d.v = d.def
		}
	}
	if c.Log == nil {
		c.Log = slog.Default()
	}
	return c, nil
}

// Door takes messages in, and commits whatever waits when the previous
// transaction has ended: a lone gateway waits for one commit, a crowd shares
// one. There is no timer.
type Door struct {
	cfg     DoorConfig
	checker *Checker
	metrics *metrics

	mu      sync.Mutex // held briefly, never across I/O
	queue   []*item    // received, not yet in a transaction
	records int        // waiting, those in the running transaction included
	bytes   int        // likewise
	closed  bool
	failing error         // of the last attempt; nil after a success
	wake    chan struct{} // capacity 1: something was queued, or closed
	room    chan struct{} // closed and replaced when waiting shrinks
	turned  chan struct{} // closed and replaced when failing turns nil

	abort   context.Context // ends the running transaction at a hard stop
	kill    context.CancelFunc
	stopped chan struct{} // closed when the committer has ended
}

// item is one message on its way.
type item struct {
	delivery store.Delivery
	records  int
	bytes    int
	done     func(error)
	gone     bool // its caller has given up; set under Door.mu while queued
}

// NewDoor starts a door; Close ends it.
func NewDoor(cfg DoorConfig) (*Door, error) {
	cfg, err := cfg.withDefaults()
	if err != nil {
		return nil, err
	}
	d := &Door{
		cfg: cfg, checker: NewChecker(cfg.Sites, cfg.Limits), metrics: newMetrics(cfg.Metrics),
		wake: make(chan struct{}, 1), room: make(chan struct{}), turned: make(chan struct{}), stopped: make(chan struct{}),
	}
	d.abort, d.kill = context.WithCancel(context.Background())
	go d.run()
	return d, nil
}

// Deliver stores one message and returns nil once it is durable, in readings or
// in quarantine. After an error it must not be acknowledged: the message may or
// may not be stored, and delivering it again is harmless. Messages of one
// gateway keep their order when each call follows the return of the one before.
func (d *Door) Deliver(ctx context.Context, topic string, payload []byte, received time.Time) error {
	result := make(chan error, 1)
	it, err := d.enqueue(ctx, Message{Topic: topic, Payload: payload, Received: received}, func(err error) { result <- err })
	if err != nil {
		return err
	}
	select {
	case err := <-result:
		return err
	case <-ctx.Done():
		d.abandon(it)
		return fmt.Errorf("store message on %s: %w", clean(topic, 200), errors.Join(ctx.Err(), d.Ready()))
	}
}

// Enqueue takes a message in and returns; done is called once, with nil when it
// is durable or with an error when the door was closed before. Calls of done
// come in the order of the calls of Enqueue, from one goroutine that they must
// not hold up. Enqueue waits while too much is waiting already; after an error
// of its own, done is not called.
func (d *Door) Enqueue(ctx context.Context, m Message, done func(error)) error {
	_, err := d.enqueue(ctx, m, done)
	return err
}

func (d *Door) enqueue(ctx context.Context, m Message, done func(error)) (*item, error) {
	_, _, kind := ParseTopic(m.Topic)
	d.metrics.received.WithLabelValues(kind.String()).Inc()
	it := &item{delivery: d.checker.Decode(m), done: done}
	it.records = len(it.delivery.Readings) + len(it.delivery.Refused)
	if it.records == 0 && it.delivery.Presence != store.PresenceNone {
		it.records = 1
	}
	// What decoding made of the message weighs about as much as a reading each.
	it.bytes = len(m.Topic) + len(m.Payload) + 64*it.records
	if err := d.admit(ctx, it); err != nil {
		return nil, err
	}
	return it, nil
}

// admit queues the item as soon as there is room.
func (d *Door) admit(ctx context.Context, it *item) error {
	for {
		room, err := d.push(it)
		if room == nil {
			return err
		}
		select {
		case <-room:
		case <-ctx.Done():
			return fmt.Errorf("wait for room: %w", errors.Join(ctx.Err(), d.Ready()))
		}
	}
}

// push queues the item, or returns what to wait for where there is no room.
func (d *Door) push(it *item) (room <-chan struct{}, err error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		return nil, ErrClosed
	}
	if d.records+min(it.records, d.cfg.WaitingRecords/2) > d.cfg.WaitingRecords ||
		d.bytes+min(it.bytes, d.cfg.WaitingBytes/2) > d.cfg.WaitingBytes {
		return d.room, nil
	}
	d.queue = append(d.queue, it)
	d.records += it.records
	d.bytes += it.bytes
	d.metrics.waiting.Inc()
	select {
	case d.wake <- struct{}{}:
	default:
	}
	return nil, nil
}

// abandon drops an item that is not in a transaction yet. One that is runs on:
// its outcome is decided by then.
func (d *Door) abandon(it *item) {
	d.mu.Lock()
	defer d.mu.Unlock()
	it.gone = true
}

// take removes the next batch from the queue; nil when nothing waits.
func (d *Door) take() (batch []*item, records int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	n := 0
	for _, it := range d.queue {
		if records > 0 && records+it.records > d.cfg.BatchRecords {
			break
		}
		n++
		if it.gone {
			d.release(it)
			continue
		}
		batch = append(batch, it)
		records += it.records
	}
	d.queue = append(d.queue[:0:0], d.queue[n:]...)
	return batch, records
}

// release gives the item's room back. Called with mu held.
func (d *Door) release(it *item) {
	d.records -= it.records
	d.bytes -= it.bytes
	d.metrics.waiting.Dec()
	close(d.room)
	d.room = make(chan struct{})
}

// run commits batch after batch until the door is closed and nothing waits.
func (d *Door) run() {
	defer close(d.stopped)
	deliveries := make([]store.Delivery, 0, 1024)
	for {
		batch, records := d.take()
		if len(batch) == 0 {
			if d.isClosed() {
				return
			}
			<-d.wake
			continue
		}
		deliveries = deliveries[:0]
		for _, it := range batch {
			if it.records > 0 { // an empty one would count as a sign of life
				deliveries = append(deliveries, it.delivery)
			}
		}
		err := d.commit(deliveries, records)
		clear(deliveries)
		d.finish(batch, err)
	}
}

// commit records until it succeeds; it gives up only at a hard stop. Recording
// again after an error is harmless, whatever became of the first attempt.
func (d *Door) commit(deliveries []store.Delivery, records int) error {
	if len(deliveries) == 0 {
		return nil
	}
	for pause := d.cfg.RetryFirst; ; pause = min(2*pause, d.cfg.RetryMost) {
		ctx, cancel := context.WithTimeout(d.abort, d.cfg.CommitTimeout)
		start := time.Now()
		recorded, err := d.cfg.Recorder.Record(ctx, deliveries)
		cancel()
		if err == nil {
			d.metrics.committed(recorded, records, time.Since(start))
			d.setFailing(nil)
			return nil
		}
		d.metrics.failures.Inc()
		d.setFailing(err)
		select {
		case <-d.abort.Done():
			return fmt.Errorf("stopped before %d messages were stored: %w", len(deliveries), err)
		case <-time.After(pause):
		}
	}
}

func (d *Door) finish(batch []*item, err error) {
	d.mu.Lock()
	for _, it := range batch {
		d.records -= it.records
		d.bytes -= it.bytes
	}
	d.metrics.waiting.Sub(float64(len(batch)))
	close(d.room)
	d.room = make(chan struct{})
	d.mu.Unlock()
	for _, it := range batch {
		it.done(err)
	}
}

// setFailing turns readiness and logs each turn once.
func (d *Door) setFailing(err error) {
	d.mu.Lock()
	before := d.failing
	d.failing = err
	if before != nil && err == nil {
		close(d.turned)
		d.turned = make(chan struct{})
	}
	d.mu.Unlock()
	switch {
	case before == nil && err != nil:
		d.metrics.ready.Set(0)
		d.cfg.Log.Error("readings cannot be stored; messages wait at the brokers and gateways", "error", err)
	case before != nil && err == nil:
		d.cfg.Log.Info("readings are stored again")
	}
}

// Ready is nil while messages are being stored, else ErrNotReady or ErrClosed
// with the reason.
func (d *Door) Ready() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	switch {
	case d.closed:
		return ErrClosed
	case d.failing != nil:
		return fmt.Errorf("%w: %w", ErrNotReady, d.failing)
	}
	return nil
}

// recovered is closed when storing works again; nil while it works.
func (d *Door) recovered() <-chan struct{} {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.failing == nil {
		return nil
	}
	return d.turned
}

func (d *Door) isClosed() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.closed
}

// Close takes no more messages, stores what waits and returns nil. When ctx
// ends before that, the rest is given back with an error and not acknowledged.
// Close may be called more than once.
func (d *Door) Close(ctx context.Context) error {
	d.mu.Lock()
	d.closed = true
	close(d.room)
	d.room = make(chan struct{})
	select {
	case d.wake <- struct{}{}:
	default:
	}
	d.mu.Unlock()
	select {
	case <-d.stopped:
		return nil
	case <-ctx.Done():
	}
	d.kill()
	<-d.stopped
	d.mu.Lock()
	defer d.mu.Unlock()
	return fmt.Errorf("close ingest before everything was stored: %w", errors.Join(ctx.Err(), d.failing))
}
