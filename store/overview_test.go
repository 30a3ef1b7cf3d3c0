package store

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"underkeep/alerting"
	"underkeep/store/localpg/pgtest"
	"underkeep/store/site"
)

func TestFleetIsCounted(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07", "gull-02")
	register(t, s, cottage("tern-11")+"area: North end\n")
	given(t, s, "heron-07", 1, alerting.Alarm{Priority: alerting.Urgent})
	given(t, s, "heron-07", 2, alerting.Alarm{Point: "north-bay", Priority: alerting.Low})
	given(t, s, "gull-02", 1, alerting.Alarm{ClearedAt: testNow})
	given(t, s, "gull-02", 2, alerting.Alarm{WithdrawnAt: testNow, WithdrawnWhy: "late data"})
	given(t, s, "gull-02", 3, alerting.Alarm{SuppressedBy: site.MainsLost})
	fleet, err := s.CountFleet(t.Context(), AllProperties, testNow)
	if err != nil {
		t.Fatal(err)
	}
	want := FleetCounts{Properties: 3, ByPriority: [5]int{0: 2, 4: 1}, Areas: []string{"North end"}}
	if diff := cmp.Diff(want, fleet); diff != "" {
		t.Error(diff)
	}
	if fleet, err := s.CountFleet(t.Context(), Scope{Properties: []string{"gull-02"}}, testNow); err != nil || fleet.Properties != 1 || fleet.ByPriority[0] != 1 {
		t.Errorf("in scope: %+v, %v", fleet, err)
	}
	counts, err := s.CountAlarms(t.Context(), testNow)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(map[AlarmState]int{StateUnacknowledged: 2, StateReturned: 1, StateSuppressedByDesign: 1}, counts); diff != "" {
		t.Error(diff)
	}
}

func TestEvaluationLagIsThatOfTheOldest(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07")
	cleanDue(t, s)
	if lag, err := s.EvaluationLag(t.Context(), testNow); err != nil || lag != 0 {
		t.Errorf("nothing due: %v, %v", lag, err)
	}
	record(t, s, message("heron-07", "north-bay", site.RH, testNow, 50))
	if lag, err := s.EvaluationLag(t.Context(), testNow.Add(3*time.Second)); err != nil || lag != 3*time.Second {
		t.Errorf("lag %v, %v; want 3s", lag, err)
	}
}

func TestPendingMigrations(t *testing.T) {
	t.Parallel()
	s := openURL(t, pgtest.New(t))
	if n, err := s.PendingMigrations(t.Context()); err != nil || n == 0 {
		t.Errorf("empty database: %d, %v", n, err)
	}
	if err := s.Migrate(t.Context()); err != nil {
		t.Fatal(err)
	}
	if n, err := s.PendingMigrations(t.Context()); err != nil || n != 0 {
		t.Errorf("migrated database: %d, %v", n, err)
	}
}

func TestBucketsSumUp(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07")
	for i, v := range []float64{1, 2, 6, 10} {
		record(t, s, message("heron-07", "gauge", site.Rain, humid.Add(time.Duration(i)*20*time.Minute), v))
	}
	q := ReadingQuery{Property: "heron-07", Point: "gauge", Quantity: site.Rain, From: humid, To: humid.Add(3 * time.Hour)}
	got, err := s.Buckets(t.Context(), q, time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	want := []Bucket{
		{At: humid, Low: 1, Mean: 3, High: 6, Sum: 9, Count: 3},
		{At: humid.Add(time.Hour), Low: 10, Mean: 10, High: 10, Sum: 10, Count: 1},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	if _, err := s.Buckets(t.Context(), q, time.Millisecond); !errors.Is(err, ErrInvalid) {
		t.Errorf("buckets of a millisecond: %v", err)
	}
}

// A state that this release cannot read is worked out anew from the readings.
func TestUnreadableStateBeginsAnew(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07")
	deliveries := twoDays("heron-07")
	end := lastReceipt(deliveries)
	record(t, s, deliveries[:20]...)
	evaluateAll(t, s, end)
	if _, err := s.owner.Exec(t.Context(), `UPDATE evaluation SET state = 'of another release'; UPDATE checkpoint SET state = 'likewise'`); err != nil {
		t.Fatal(err)
	}
	other := openURL(t, s.url) // holds nothing in memory
	record(t, other, deliveries[20:]...)
	evaluateAll(t, other, end)

	peace := openTest(t)
	withCottages(t, peace, "heron-07")
	record(t, peace, deliveries...)
	evaluateAll(t, peace, end)
	if diff := cmp.Diff(state(t, peace), state(t, other)); diff != "" {
		t.Error(diff)
	}
}

func TestKeepListeningBeatsOnlyWhileListening(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	deaf, cancel := context.WithCancel(t.Context())
	cancel()
	s.KeepListening(deaf, func() bool { return false })
	if n := count(t, s, `SELECT count(*) FROM listening`); n != 0 {
		t.Error("beats while it takes nothing")
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	go s.KeepListening(ctx, func() bool { return true })
	eventually(t, "a beat", func() bool { return count(t, s, `SELECT count(*) FROM listening`) == 1 })
}
