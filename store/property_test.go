package store

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"underkeep/alerting"
	"underkeep/store/site"
)

func TestPropertiesComeMostUrgentFirst(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	fleet := []string{"calm-1", "calm-2", "seen", "unseen", "older", "worse", "shelved", "quiet", "over"}
	withCottages(t, s, fleet...)
	given(t, s, "seen", 1, alerting.Alarm{RaisedAt: humid.Add(-time.Hour)})
	given(t, s, "unseen", 1, alerting.Alarm{})
	given(t, s, "older", 1, alerting.Alarm{RaisedAt: humid.Add(-2 * time.Hour)})
	given(t, s, "worse", 1, alerting.Alarm{Priority: alerting.Urgent, Condition: site.HighWaterAlarm})
	given(t, s, "worse", 2, alerting.Alarm{Priority: alerting.Low, Condition: site.BatteryLow})
	given(t, s, "shelved", 1, alerting.Alarm{Priority: alerting.Urgent})
	given(t, s, "quiet", 1, alerting.Alarm{Priority: alerting.High, SuppressedBy: site.MainsLost})
	given(t, s, "over", 1, alerting.Alarm{ClearedAt: testNow})
	ack := Answer{Scope: AllProperties, Alarm: "seen.1", By: "Kim", Now: testNow}
	if err := s.Acknowledge(t.Context(), ack); err != nil {
		t.Fatal(err)
	}
	shelve := Answer{Scope: AllProperties, Alarm: "shelved.1", By: "Kim", Why: "w", Now: testNow}
	if err := s.Shelve(t.Context(), shelve, testNow.Add(time.Hour)); err != nil {
		t.Fatal(err)
	}
	var got []string
	byID := map[string]PropertyStatus{}
	q := PropertyQuery{Scope: AllProperties, Limit: 2, Now: testNow}
	for {
		page, next, err := s.Properties(t.Context(), q)
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range page {
			got = append(got, p.ID)
			byID[p.ID] = p
		}
		if q.Cursor = next; next == "" {
			break
		}
	}
	want := []string{"worse", "older", "unseen", "seen", "over", "calm-1", "calm-2", "quiet", "shelved"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	worse := byID["worse"]
	if worse.Open != 2 || worse.Unacknowledged != 2 || worse.Priority != alerting.Urgent || !worse.OpenSince.Equal(humid) ||
		fmt.Sprint(worse.Conditions) != "[high-water battery-low]" {
		t.Errorf("worse: %+v", worse)
	}
	if over := byID["over"]; over.Open != 0 || over.Unacknowledged != 1 || over.Priority != 0 || !over.OpenSince.IsZero() {
		t.Errorf("over: %+v", over)
	}
	if seen := byID["seen"]; seen.Open != 1 || seen.Unacknowledged != 0 {
		t.Errorf("seen: %+v", seen)
	}
	// Once the shelving has run out, it is urgent again.
	page, _, err := s.Properties(t.Context(), PropertyQuery{Scope: AllProperties, Text: "SHELVED", Now: testNow.Add(time.Hour)})
	if err != nil || len(page) != 1 || page[0].Priority != alerting.Urgent {
		t.Errorf("%+v, %v", page, err)
	}
	page, _, err = s.Properties(t.Context(), PropertyQuery{Scope: Scope{Properties: []string{"seen"}}, Now: testNow})
	if err != nil || len(page) != 1 {
		t.Errorf("%d in scope, %v", len(page), err)
	}
}

// An alarm that comes and goes moves its house between the two parts of the list;
// whoever asks just then must still find the house, and once.
func TestPropertyIsListedWhileItsAlarmComesAndGoes(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "flips")
	given(t, s, "flips", 1, alerting.Alarm{})
	ctx, stop := context.WithCancel(t.Context())
	flipped := make(chan int)
	go func() {
		n := 0
		for ; ctx.Err() == nil; n++ {
			_, err := s.owner.Exec(ctx, `UPDATE alarm SET suppressed_by = CASE WHEN suppressed_by IS NULL THEN 'mains-lost' END`)
			if err != nil && ctx.Err() == nil {
				t.Error(err)
				break
			}
		}
		flipped <- n
	}()
	for range 300 {
		page, _, err := s.Properties(t.Context(), PropertyQuery{Scope: AllProperties, Now: testNow})
		if err != nil || len(page) != 1 {
			t.Errorf("%d houses listed, want 1; %v", len(page), err)
			break
		}
	}
	stop()
	if n := <-flipped; n < 20 {
		t.Fatalf("the alarm came and went %d times only", n)
	}
}

func TestPropertyInDetail(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07")
	at := testNow.Add(-time.Minute)
	record(t, s, message("heron-07", "north-bay", site.RH, at.Add(-time.Hour), 51), message("heron-07", "north-bay", site.RH, at, 52),
		Delivery{Property: "heron-07", Gateway: "main", Received: testNow, Presence: PresenceOnline})
	evaluateAll(t, s, testNow)
	d, err := s.Property(t.Context(), AllProperties, "heron-07", testNow)
	if err != nil {
		t.Fatal(err)
	}
	if len(d.Versions) != 1 || d.Versions[0].Property.Name != "Cottage heron-07" || d.Name != "Cottage heron-07" {
		t.Errorf("versions %+v", d.Versions)
	}
	if len(d.Gateways) != 1 || d.Gateways[0].Name != "main" || !d.Gateways[0].HeardAt.Equal(testNow) || d.Gateways[0].Presence != PresenceOnline {
		t.Errorf("gateways %+v", d.Gateways)
	}
	if !d.HeardAt.Equal(testNow) || !d.EvaluatedAt.Equal(testNow) {
		t.Errorf("heard %v, evaluated %v", d.HeardAt, d.EvaluatedAt)
	}
	want := []LatestReading{{Point: "north-bay", Quantity: site.RH, Sample: Sample{At: at, Value: 52, Received: testNow}}}
	if diff := cmp.Diff(want, d.Latest); diff != "" {
		t.Error(diff)
	}
	if _, err := s.Property(t.Context(), Scope{}, "heron-07", testNow); !errors.Is(err, ErrNotFound) {
		t.Errorf("out of scope: %v", err)
	}
}

func TestReadingsPage(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07")
	d := series(100)
	record(t, s, d)
	q := ReadingQuery{Property: "heron-07", Point: "north-bay", Quantity: site.RH,
		From: d.Readings[10].At, To: d.Readings[90].At, Limit: 30}
	var got []float64
	for {
		page, err := s.Readings(t.Context(), q)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range page {
			got = append(got, m.Value)
		}
		if len(page) < q.Limit {
			break
		}
		q.After = page[len(page)-1].At
	}
	var want []float64
	for _, r := range d.Readings[10:90] {
		want = append(want, r.Value)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	// More than one page of the database's.
	long := series(readingPage + 5)
	for i := range long.Readings {
		long.Readings[i].Point = "south-bay"
	}
	record(t, s, long)
	all, err := s.Readings(t.Context(), ReadingQuery{Property: "heron-07", Point: "south-bay", Quantity: site.RH})
	if err != nil || len(all) != readingPage+5 || !all[readingPage+4].At.Equal(long.Readings[readingPage+4].At) {
		t.Errorf("%d readings, %v", len(all), err)
	}
	stop := errors.New("enough")
	n := 0
	err = s.EachReading(t.Context(), ReadingQuery{Property: "heron-07", Point: "north-bay", Quantity: site.RH}, func(Sample) error {
		n++
		return stop
	})
	if !errors.Is(err, stop) || n != 1 {
		t.Errorf("after %d readings: %v", n, err)
	}
	for _, q := range []ReadingQuery{{Property: "gull-02", Point: "north-bay", Quantity: site.RH}, {Property: "heron-07", Point: "attic", Quantity: site.RH},
		{Property: "heron-07", Point: "north-bay", Quantity: site.Rain}} {
		if _, err := s.Readings(t.Context(), q); !errors.Is(err, ErrNotFound) {
			t.Errorf("%+v: %v", q, err)
		}
	}
}

func TestQuarantineListsAndCloses(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07")
	long := []byte(strings.Repeat("x", MaxQuarantinePayload+10))
	record(t, s, Delivery{Property: "heron-07", Gateway: "main", Received: testNow, Refused: []Refusal{
		{Topic: "t", Payload: long, PayloadBytes: 10 << 20, Reason: ReasonTooLarge, Detail: "10 MB\x00 \xff"},
		{Topic: "t", Payload: []byte("[]"), PayloadBytes: 2, Reason: ReasonNotSenML, Detail: "empty"},
	}}, Delivery{Property: "nobody", Gateway: "main", Received: testNow, Refused: []Refusal{
		{Topic: "u", Payload: []byte("{}"), PayloadBytes: 2, Reason: ReasonUnknownProperty}}})
	ctx := t.Context()
	list, err := s.Quarantine(ctx, QuarantineQuery{Scope: AllProperties, Open: true})
	if err != nil || len(list) != 3 {
		t.Fatalf("%d entries, %v", len(list), err)
	}
	if mine, err := s.Quarantine(ctx, QuarantineQuery{Scope: Scope{Properties: []string{"heron-07"}}, Reason: ReasonTooLarge}); err != nil || len(mine) != 1 {
		t.Fatalf("%+v, %v", mine, err)
	} else if q, err := s.QuarantinedByID(ctx, AllProperties, mine[0].ID); err != nil || len(q.Payload) != MaxQuarantinePayload || q.PayloadBytes != 10<<20 {
		t.Errorf("%d of %d bytes, %v", len(q.Payload), q.PayloadBytes, err)
	}
	id := list[0].ID
	if err := s.CloseQuarantine(ctx, Scope{}, id, OutcomeReplayed, "Kim", testNow); !errors.Is(err, ErrNotFound) {
		t.Errorf("out of scope: %v", err)
	}
	if err := s.CloseQuarantine(ctx, AllProperties, id, OutcomeReplayed, "Kim", testNow); err != nil {
		t.Fatal(err)
	}
	if err := s.CloseQuarantine(ctx, AllProperties, id, OutcomeDiscarded, "Kim", testNow); !errors.Is(err, ErrConflict) {
		t.Errorf("closed twice: %v", err)
	}
	if open, err := s.Quarantine(ctx, QuarantineQuery{Scope: AllProperties, Open: true}); err != nil || len(open) != 2 {
		t.Errorf("%d open, %v", len(open), err)
	}
	older, err := s.Quarantine(ctx, QuarantineQuery{Scope: AllProperties, Before: list[1].ID})
	if err != nil || len(older) != 1 || older[0].ID != list[2].ID {
		t.Errorf("next page %+v, %v", older, err)
	}
}

// Impossible values and refused times reach the evaluator, each once: by the
// contract ten within a day make a sensor suspect.
func TestRefusalsAreJudgedOnce(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07")
	d := Delivery{Property: "heron-07", Gateway: "main", Received: testNow}
	refusal := func(i int) Refusal {
		return Refusal{Topic: "underkeep/1/heron-07/main/readings", Payload: []byte("p"), PayloadBytes: 1, Reason: ReasonImpossible,
			Point: "north-bay", Quantity: site.RH, At: testNow.Add(time.Duration(i) * time.Second), Value: 140}
	}
	for i := range 9 {
		d.Refused = append(d.Refused, refusal(i))
	}
	record(t, s, message("heron-07", "north-bay", site.RH, testNow.Add(-time.Minute), 50), d)
	for range 3 { // redelivered
		record(t, s, d)
		evaluateAll(t, s, testNow)
	}
	if got := alarms(t, s, AlarmQuery{Condition: site.SensorSuspect}); len(got) != 0 {
		t.Errorf("nine refusals, told three times, raise %+v", got)
	}
	record(t, s, Delivery{Property: "heron-07", Gateway: "main", Received: testNow, Refused: []Refusal{refusal(9)}})
	evaluateAll(t, s, testNow)
	if got := alarms(t, s, AlarmQuery{Condition: site.SensorSuspect}); len(got) != 1 {
		t.Errorf("ten refusals raise %d alarms, want 1", len(got))
	}
}
