package ingest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/prometheus"
	"pgregory.net/rapid"

	"underkeep/store"
)

func TestDeliverReturnsAfterTheCommit(t *testing.T) {
	t.Parallel()
	rec := newMemory()
	rec.hold = make(chan struct{})
	d := testDoor(t, rec, nil)
	result := make(chan error, 1)
	go func() { result <- d.Deliver(t.Context(), readingsTopic, one(-60, 50), received) }()
	eventually(t, "a transaction begins", func() bool { rec.mu.Lock(); defer rec.mu.Unlock(); return rec.calls == 1 })
	select {
	case err := <-result:
		t.Fatalf("returned %v before the commit", err)
	default:
	}
	rec.hold <- struct{}{}
	if err := <-result; err != nil || rec.len() != 1 {
		t.Errorf("%v, %d stored", err, rec.len())
	}
}

// While one transaction runs, everything that arrives waits for the next, and
// shares it.
func TestACrowdSharesOneCommit(t *testing.T) {
	t.Parallel()
	rec := newMemory()
	rec.hold = make(chan struct{})
	d := testDoor(t, rec, nil)
	var wg sync.WaitGroup
	send := func(i int) {
		wg.Go(func() {
			if err := d.Deliver(t.Context(), readingsTopic, one(-i, 50), received); err != nil {
				t.Error(err)
			}
		})
	}
	send(0)
	eventually(t, "a transaction begins", func() bool { rec.mu.Lock(); defer rec.mu.Unlock(); return rec.calls == 1 })
	for i := range 200 {
		send(i + 1)
	}
	eventually(t, "all wait", func() bool { d.mu.Lock(); defer d.mu.Unlock(); return d.records == 201 })
	close(rec.hold)
	wg.Wait()
	if !slices.Equal(rec.batches, []int{1, 200}) {
		t.Errorf("transactions of %v messages", rec.batches)
	}
}

func TestABatchIsBounded(t *testing.T) {
	t.Parallel()
	rec := newMemory()
	rec.hold = make(chan struct{})
	d := testDoor(t, rec, func(c *DoorConfig) { c.BatchRecords = 64 })
	done := make(chan error, 1000)
	for i := range 1000 {
		if err := d.Enqueue(t.Context(), Message{Topic: readingsTopic, Payload: one(-i, 50), Received: received}, func(err error) { done <- err }); err != nil {
			t.Fatal(err)
		}
	}
	close(rec.hold)
	for range 1000 {
		if err := <-done; err != nil {
			t.Fatal(err)
		}
	}
	if slices.Max(rec.batches) != 64 {
		t.Errorf("largest transaction has %d records", slices.Max(rec.batches))
	}
}

func TestOrderIsKept(t *testing.T) {
	t.Parallel()
	rec := newMemory()
	d := testDoor(t, rec, nil)
	var acked []int // written by the committer only, read after Close
	for i := range 2000 {
		if err := d.Enqueue(t.Context(), Message{Topic: readingsTopic, Payload: one(-i, 50), Received: received}, func(error) { acked = append(acked, i) }); err != nil {
			t.Fatal(err)
		}
	}
	if err := d.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	if len(acked) != 2000 || !slices.IsSorted(acked) {
		t.Errorf("%d acknowledged, in order: %v", len(acked), slices.IsSorted(acked))
	}
	for i, m := range rec.order {
		if want := received.Add(-time.Duration(i) * time.Second); !m.Readings[0].At.Equal(want) {
			t.Fatalf("message %d recorded with %v", i, m.Readings[0].At)
		}
	}
}

// A transaction may fail before it stored anything, or be reported as failed
// although it stored everything (the connection broke at the commit). Either
// way it is tried again, and every message is acknowledged once.
func TestFailedCommitsAreRepeated(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		rec := newMemory()
		failing := rapid.SliceOfN(rapid.IntRange(0, 2), 0, 12).Draw(t, "fate of each call")
		fate := func(call, what int) bool { return call <= len(failing) && failing[call-1] == what }
		rec.fail = func(call int) error {
			if fate(call, 1) {
				return errDown
			}
			return nil
		}
		rec.lose = func(call int) bool { return fate(call, 2) }
		n := rapid.IntRange(1, 50).Draw(t, "messages")
		d, err := NewDoor(DoorConfig{Sites: oneHeron, Recorder: rec, RetryFirst: time.Microsecond, RetryMost: time.Microsecond, BatchRecords: 7, Log: quiet()})
		if err != nil {
			t.Fatal(err)
		}
		var acked atomic.Int32
		for i := range n {
			if err := d.Enqueue(context.Background(), Message{Topic: readingsTopic, Payload: one(-i, 50), Received: received}, func(err error) {
				if err == nil {
					acked.Add(1)
				}
			}); err != nil {
				t.Fatal(err)
			}
		}
		if err := d.Close(context.Background()); err != nil {
			t.Fatal(err)
		}
		if rec.len() != n || int(acked.Load()) != n {
			t.Fatalf("%d of %d stored, %d acknowledged", rec.len(), n, acked.Load())
		}
	})
}

var oneHeron = heron(&testing.T{})

func TestReadinessFollowsTheDatabase(t *testing.T) {
	t.Parallel()
	rec := newMemory()
	var down atomic.Bool
	down.Store(true)
	rec.fail = func(int) error {
		if down.Load() {
			return errDown
		}
		return nil
	}
	d := testDoor(t, rec, nil)
	if err := d.Ready(); err != nil {
		t.Errorf("before the first message: %v", err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Millisecond)
	defer cancel()
	if err := d.Deliver(ctx, readingsTopic, one(-60, 50), received); !errors.Is(err, context.DeadlineExceeded) || !errors.Is(err, ErrNotReady) {
		t.Errorf("while the database is away: %v", err)
	}
	if err := d.Ready(); !errors.Is(err, ErrNotReady) || !errors.Is(err, errDown) {
		t.Errorf("not ready: %v", err)
	}
	// The transaction in hand is tried until it succeeds, so that readiness
	// comes back although nobody sends.
	down.Store(false)
	eventually(t, "ready again", func() bool { return d.Ready() == nil })
	if rec.len() != 1 {
		t.Errorf("%d stored", rec.len())
	}
}

func TestWaitingIsBoundedWhileTheDatabaseIsAway(t *testing.T) {
	t.Parallel()
	rec := newMemory()
	var down atomic.Bool
	down.Store(true)
	rec.fail = func(int) error {
		if down.Load() {
			return errDown
		}
		return nil
	}
	d := testDoor(t, rec, func(c *DoorConfig) { c.WaitingRecords = 100; c.BatchRecords = 10 })
	taken := 0
	for i := range 1000 {
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
		err := d.Enqueue(ctx, Message{Topic: readingsTopic, Payload: one(-i, 50), Received: received}, func(error) {})
		cancel()
		if err != nil {
			if !errors.Is(err, context.DeadlineExceeded) {
				t.Fatal(err)
			}
			break
		}
		taken++
	}
	if taken != 100 {
		t.Errorf("%d taken, at most 100 may wait", taken)
	}
	down.Store(false)
	if err := d.Close(t.Context()); err != nil || rec.len() != 100 {
		t.Errorf("%v, %d stored", err, rec.len())
	}
}

func TestPayloadBytesAreBoundedToo(t *testing.T) {
	t.Parallel()
	rec := newMemory()
	rec.hold = make(chan struct{})
	d := testDoor(t, rec, func(c *DoorConfig) { c.WaitingBytes = 1 << 20 })
	big := make([]byte, 400<<10)
	for i := range 4 {
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
		err := d.Enqueue(ctx, Message{Topic: readingsTopic, Payload: big, Received: received}, func(error) {})
		cancel()
		if (err == nil) != (i < 2) {
			t.Errorf("message %d of 400 KB: %v", i+1, err)
		}
	}
	close(rec.hold)
}

// A message larger than all that may wait still gets in.
func TestAMessageLargerThanTheBoundGetsIn(t *testing.T) {
	t.Parallel()
	rec := newMemory()
	d := testDoor(t, rec, func(c *DoorConfig) { c.WaitingBytes = 1 << 10; c.WaitingRecords = 2 })
	pack := []byte("[")
	for i := range 100 {
		pack = fmt.Appendf(pack, `{"n":"all/rh","u":"%%RH","v":50,"t":%s},`, at(-i))
	}
	pack[len(pack)-1] = ']'
	if err := d.Deliver(t.Context(), readingsTopic, pack, received); err != nil || rec.len() != 100 {
		t.Errorf("%v, %d stored", err, rec.len())
	}
}

// Who gave up waiting sends again: what it left must not fill the queue.
func TestAbandonedMessagesLeaveTheQueue(t *testing.T) {
	t.Parallel()
	rec := newMemory()
	rec.hold = make(chan struct{})
	d := testDoor(t, rec, func(c *DoorConfig) { c.BatchRecords = 1 })
	for i := range 5 {
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Millisecond)
		if err := d.Deliver(ctx, readingsTopic, one(-i, 50), received); err == nil {
			t.Error("delivered without a commit")
		}
		cancel()
	}
	close(rec.hold)
	if err := d.Close(t.Context()); err != nil || rec.len() != 1 {
		t.Errorf("%v, %d stored; only the one in the transaction should be", err, rec.len())
	}
}

func TestCloseStoresWhatWaits(t *testing.T) {
	t.Parallel()
	rec := newMemory()
	d := testDoor(t, rec, nil)
	var acked atomic.Int32
	for i := range 500 {
		if err := d.Enqueue(t.Context(), Message{Topic: readingsTopic, Payload: one(-i, 50), Received: received}, func(error) { acked.Add(1) }); err != nil {
			t.Fatal(err)
		}
	}
	var wg sync.WaitGroup
	for range 10 {
		wg.Go(func() {
			if err := d.Close(t.Context()); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if rec.len() != 500 || acked.Load() != 500 {
		t.Errorf("%d stored, %d acknowledged", rec.len(), acked.Load())
	}
	if err := d.Deliver(t.Context(), readingsTopic, one(-1, 50), received); !errors.Is(err, ErrClosed) {
		t.Errorf("after Close: %v", err)
	}
}

func TestCloseByForceGivesMessagesBack(t *testing.T) {
	t.Parallel()
	rec := newMemory()
	rec.fail = func(int) error { return errDown }
	d := testDoor(t, rec, func(c *DoorConfig) { c.BatchRecords = 3 })
	var failed atomic.Int32
	for i := range 10 {
		if err := d.Enqueue(t.Context(), Message{Topic: readingsTopic, Payload: one(-i, 50), Received: received}, func(err error) {
			if err != nil {
				failed.Add(1)
			}
		}); err != nil {
			t.Fatal(err)
		}
	}
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	if err := d.Close(ctx); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("Close: %v", err)
	}
	if failed.Load() != 10 {
		t.Errorf("%d of 10 given back", failed.Load())
	}
}

// An empty delivery would be stored as a sign of life.
func TestRetainedOnlineIsNotRecorded(t *testing.T) {
	t.Parallel()
	rec := newMemory()
	d := testDoor(t, rec, nil)
	done := make(chan error, 1)
	if err := d.Enqueue(t.Context(), Message{Topic: PresenceTopic("heron-07", "gw1"), Payload: []byte("online"), Received: received, Retained: true}, func(err error) { done <- err }); err != nil {
		t.Fatal(err)
	}
	if err := <-done; err != nil {
		t.Error(err)
	}
	if err := d.Deliver(t.Context(), PresenceTopic("heron-07", "gw1"), []byte("online"), received); err != nil {
		t.Error(err)
	}
	if len(rec.order) != 1 || rec.order[0].Presence != store.PresenceOnline {
		t.Errorf("recorded %+v", rec.order)
	}
}

func TestMetricsCount(t *testing.T) {
	t.Parallel()
	rec := newMemory()
	reg := prometheus.NewPedanticRegistry()
	d := testDoor(t, rec, func(c *DoorConfig) { c.Metrics = reg })
	for _, p := range [][]byte{one(-1, 50), one(-1, 50), one(-2, 500), []byte("?")} {
		if err := d.Deliver(t.Context(), readingsTopic, p, received); err != nil {
			t.Fatal(err)
		}
	}
	if err := d.Deliver(t.Context(), "underkeep/1/heron-07/gw1/other", nil, received); err != nil {
		t.Fatal(err)
	}
	want := map[string]float64{
		"underkeep_ingest_readings_stored_total":              1,
		"underkeep_ingest_readings_duplicate_total":           1,
		"underkeep_ingest_quarantined_total impossible-value": 1,
		"underkeep_ingest_quarantined_total not-senml":        1,
		"underkeep_ingest_quarantined_total wrong-topic":      1,
		"underkeep_ingest_messages_received_total readings":   4,
		"underkeep_ingest_messages_received_total foreign":    1,
		"underkeep_ingest_messages_received_total presence":   0,
		"underkeep_ingest_waiting_messages":                   0,
		"underkeep_ingest_ready":                              1,
		"underkeep_ingest_commit_failures_total":              0,
		"underkeep_ingest_commit_seconds count":               5,
		"underkeep_ingest_batch_records count":                5,
	}
	if diff := cmp.Diff(want, gather(t, reg)); diff != "" {
		t.Errorf("metrics (-want +got):\n%s", diff)
	}
}

// gather reads all metrics, by name and label value.
func gather(t testing.TB, reg *prometheus.Registry) map[string]float64 {
	t.Helper()
	families, err := reg.Gather()
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]float64{}
	for _, f := range families {
		for _, m := range f.GetMetric() {
			name := f.GetName()
			for _, l := range m.GetLabel() {
				name += " " + l.GetValue()
			}
			if h := m.GetHistogram(); h != nil {
				out[name+" count"] = float64(h.GetSampleCount())
				continue
			}
			out[name] = m.GetCounter().GetValue() + m.GetGauge().GetValue()
		}
	}
	return out
}
