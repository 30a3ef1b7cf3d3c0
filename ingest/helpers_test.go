package ingest

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"testing"
	"time"

	"underkeep/store"
	"underkeep/store/site"
)

// received is the time of receipt in tests that need none in particular.
var received = time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)

// heron measures every quantity of the contract, rh also at a second point.
func heron(t testing.TB) Sites {
	t.Helper()
	p := site.Property{
		ID: "heron-07", Timezone: "America/New_York", Installed: site.Date{Year: 2026, Month: 3, Day: 2},
		Points: []site.Point{{ID: "all"}, {ID: "north-bay", Measures: []site.Quantity{site.RH, site.AirTemp}}},
	}
	for _, s := range site.Quantities() {
		p.Points[0].Measures = append(p.Points[0].Measures, s.Quantity)
	}
	sites, err := OneSite(p)
	if err != nil {
		t.Fatal(err)
	}
	return sites
}

const readingsTopic = "underkeep/1/heron-07/gw1/readings"

func at(seconds int) string { return fmt.Sprint(received.Unix() + int64(seconds)) }

// one is a pack of a single rh reading at received + seconds.
func one(seconds int, v float64) []byte {
	return fmt.Appendf(nil, `[{"n":"north-bay/rh","u":"%%RH","v":%v,"t":%s}]`, v, at(seconds))
}

type key struct {
	property, point string
	quantity        site.Quantity
	at              int64
}

// memory is a Recorder with the store's promise: the first value of a key
// stands, and recording again changes nothing.
type memory struct {
	mu       sync.Mutex
	values   map[key]float64
	order    []store.Delivery
	batches  []int // messages of each transaction
	calls    int
	repeated int
	fail     func(call int) error // consulted before anything is stored
	lose     func(call int) bool  // store, yet report a failure
	hold     chan struct{}        // when set, each call takes from it first
}

func newMemory() *memory { return &memory{values: map[key]float64{}} }

var errDown = errors.New("database is away")

func (m *memory) Record(ctx context.Context, ds []store.Delivery) (store.Recorded, error) {
	m.mu.Lock()
	m.calls++
	call, fail, lose, hold := m.calls, m.fail, m.lose, m.hold
	m.mu.Unlock()
	if hold != nil {
		select {
		case <-hold:
		case <-ctx.Done():
			return store.Recorded{}, ctx.Err()
		}
	}
	if fail != nil {
		if err := fail(call); err != nil {
			return store.Recorded{}, err
		}
	}
	r := m.store(ds)
	if lose != nil && lose(call) {
		return store.Recorded{}, errDown
	}
	return r, nil
}

func (m *memory) store(ds []store.Delivery) store.Recorded {
	m.mu.Lock()
	defer m.mu.Unlock()
	r := store.Recorded{Quarantined: map[store.Reason]int{}}
	m.batches = append(m.batches, len(ds))
	for _, d := range ds {
		m.order = append(m.order, d)
		for _, reading := range d.Readings {
			k := key{d.Property, reading.Point, reading.Quantity, reading.At.UnixMicro()}
			if _, ok := m.values[k]; ok {
				r.Duplicate++
				m.repeated++
				continue
			}
			m.values[k] = reading.Value
			r.Stored++
		}
		for _, f := range d.Refused {
			r.Quarantined[f.Reason]++
		}
	}
	return r
}

func (m *memory) len() int {
	m.mu.Lock()
	defer m.mu.Unlock()
	return len(m.values)
}

func (m *memory) set(f func()) {
	m.mu.Lock()
	defer m.mu.Unlock()
	f()
}

// eventually polls until ok or fails the test.
func eventually(t testing.TB, what string, ok func() bool) {
	t.Helper()
	deadline := time.Now().Add(20 * time.Second)
	for !ok() {
		if time.Now().After(deadline) {
			t.Fatalf("timed out: %s", what)
		}
		time.Sleep(2 * time.Millisecond)
	}
}

func quiet() *slog.Logger { return slog.New(slog.DiscardHandler) }

func testDoor(t testing.TB, rec Recorder, change func(*DoorConfig)) *Door {
	t.Helper()
	cfg := DoorConfig{Sites: heron(t), Recorder: rec, RetryFirst: time.Millisecond, RetryMost: 5 * time.Millisecond, Log: quiet()}
	if change != nil {
		change(&cfg)
	}
	d, err := NewDoor(cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithCancel(context.Background())
		cancel()
		_ = d.Close(ctx) // by force; tests that care close it themselves
	})
	return d
}
