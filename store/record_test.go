package store

import (
	"fmt"
	"math"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"underkeep/store/site"
)

func TestRecordStoresAndMarksDue(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07", "gull-02")
	cleanDue(t, s)
	at := testNow.Add(-time.Minute)
	d := message("heron-07", "north-bay", site.RH, at, 61.5)
	d.Readings = append(d.Readings, Reading{Point: "north-bay", Quantity: site.AirTemp, At: at.Add(-time.Second), Value: 17, AtReceipt: true})
	got := record(t, s, d, message("gull-02", "sump", site.PumpRun, at, 12.25))
	if diff := cmp.Diff(Recorded{Stored: 3}, got); diff != "" {
		t.Error(diff)
	}
	samples, err := s.Readings(t.Context(), ReadingQuery{Property: "heron-07", Point: "north-bay", Quantity: site.AirTemp})
	if err != nil {
		t.Fatal(err)
	}
	want := []Sample{{At: at.Add(-time.Second), Value: 17, Received: testNow, AtReceipt: true}}
	if diff := cmp.Diff(want, samples); diff != "" {
		t.Error(diff)
	}
	due := dump(t, s, `SELECT name, extract(epoch FROM earliest_at)::int8 FROM due JOIN property USING (property_id) ORDER BY 1`)
	wantDue := fmt.Sprintf("gull-02 %d\nheron-07 %d", at.Unix(), at.Add(-time.Second).Unix())
	if due != wantDue {
		t.Errorf("due:\n%s\nwant\n%s", due, wantDue)
	}
}

// cleanDue removes the due rows that registering left.
func cleanDue(tb testing.TB, s *Store) {
	tb.Helper()
	if _, err := s.owner.Exec(tb.Context(), `DELETE FROM due`); err != nil {
		tb.Fatal(err)
	}
}

// series makes n readings of one series, a minute apart, ending before testNow.
func series(n int) Delivery {
	d := Delivery{Property: "heron-07", Gateway: "main", Received: testNow}
	for i := range n {
		d.Readings = append(d.Readings, Reading{Point: "north-bay", Quantity: site.RH,
			At: testNow.Add(time.Duration(i-n) * time.Second), Value: 50 + float64(i)/1000})
	}
	return d
}

func TestRecordAgainChangesNothing(t *testing.T) {
	t.Parallel()
	for _, n := range []int{1, copyFrom - 1, copyFrom, 300} {
		t.Run(fmt.Sprint(n), func(t *testing.T) {
			t.Parallel()
			s := openTest(t)
			withCottages(t, s, "heron-07")
			cleanDue(t, s)
			if got := record(t, s, series(n)); got.Stored != n {
				t.Fatalf("first: %+v", got)
			}
			before := dump(t, s, `SELECT * FROM readings ORDER BY at`)
			again := series(n)
			again.Received = testNow.Add(time.Minute)
			if diff := cmp.Diff(Recorded{Duplicate: n}, record(t, s, again)); diff != "" {
				t.Error(diff)
			}
			if diff := cmp.Diff(before, dump(t, s, `SELECT * FROM readings ORDER BY at`)); diff != "" {
				t.Error(diff)
			}
			if due := count(t, s, `SELECT count(*) FROM due`); due != 1 {
				t.Errorf("%d due rows after a redelivery, want the first one alone", due)
			}
			if c := count(t, s, `SELECT count(*) FROM contact WHERE heard_at = $1`, again.Received); c != 1 {
				t.Errorf("%d contacts of the redelivery, want 1", c)
			}
		})
	}
}

func TestRecordKeepsTheFirstOfConflictingValues(t *testing.T) {
	t.Parallel()
	for _, n := range []int{2, 200} {
		t.Run(fmt.Sprint(n), func(t *testing.T) {
			t.Parallel()
			s := openTest(t)
			withCottages(t, s, "heron-07")
			record(t, s, series(n))
			other := series(n)
			other.Topic, other.Payload = "underkeep/1/heron-07/main/readings", []byte(`[{"n":"north-bay/rh"}]`)
			other.Readings[n-1].Value = 99
			got := record(t, s, other)
			want := Recorded{Duplicate: n - 1, Quarantined: map[Reason]int{ReasonConflict: 1}}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Error(diff)
			}
			if v := count(t, s, `SELECT count(*) FROM readings WHERE value = 99`); v != 0 {
				t.Error("the second value replaced the first")
			}
			list, err := s.Quarantine(t.Context(), QuarantineQuery{Scope: AllProperties})
			if err != nil || len(list) != 1 {
				t.Fatalf("quarantine: %v, %v", list, err)
			}
			q, err := s.QuarantinedByID(t.Context(), AllProperties, list[0].ID)
			if err != nil {
				t.Fatal(err)
			}
			if string(q.Payload) != `[{"n":"north-bay/rh"}]` || q.Reason != ReasonConflict || *q.Value != 99 || !q.At.Equal(other.Readings[n-1].At) {
				t.Errorf("quarantined %+v", q)
			}
		})
	}
}

func TestRecordConflictWithinOneBatch(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07")
	at := testNow.Add(-time.Hour)
	got := record(t, s, series(100), message("heron-07", "south-bay", site.RH, at, 40), message("heron-07", "south-bay", site.RH, at, 41),
		message("heron-07", "south-bay", site.RH, at, 40))
	want := Recorded{Stored: 101, Duplicate: 1, Quarantined: map[Reason]int{ReasonConflict: 1}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	if v := count(t, s, `SELECT count(*) FROM readings WHERE value = 40`); v != 1 {
		t.Error("the first value does not stand")
	}
}

func TestRecordSetsUnstorableReadingsAside(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07")
	at := testNow.Add(-time.Hour)
	bad := []Delivery{
		message("heron-07", "south-bay", site.RH, at, math.NaN()),
		message("heron-07", "south-bay", site.RH, at, math.Inf(1)),
		message("heron-07", "south-bay", site.RH, time.Date(1970, 1, 1, 0, 0, 0, 0, time.UTC), 40),
		message("heron-07", "south-bay", site.RH, testNow.AddDate(20, 0, 0), 40),
		message("heron-07", "attic", site.RH, at, 40),
		message("heron-99", "attic", site.RH, at, 40),
		{Property: "heron-07", Gateway: "other", Received: testNow, Readings: []Reading{{Point: "south-bay", Quantity: site.RH, At: at, Value: 40}}},
	}
	got := record(t, s, append(bad, series(100))...)
	want := Recorded{Stored: 100, Quarantined: map[Reason]int{
		ReasonNotStorable: 4, ReasonUnknownPoint: 1, ReasonUnknownProperty: 1, ReasonUnknownGateway: 1}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	if n := count(t, s, `SELECT count(*) FROM quarantine`); n != 7 {
		t.Errorf("%d rows in quarantine, want 7", n)
	}
}

// What the checks in Go let through must meet the database's own, and only the
// culprits may pay for it.
func TestRecordBisectsToTheCulprits(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07")
	if _, err := s.owner.Exec(t.Context(), `ALTER TABLE readings ADD CONSTRAINT test_refuses CHECK (value <> 13)`); err != nil {
		t.Fatal(err)
	}
	d := series(500)
	for _, i := range []int{0, 17, 18, 499} {
		d.Readings[i].Value = 13
	}
	got := record(t, s, d)
	want := Recorded{Stored: 496, Quarantined: map[Reason]int{ReasonNotStorable: 4}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	if n := count(t, s, `SELECT count(*) FROM readings`); n != 496 {
		t.Errorf("%d rows, want 496", n)
	}
	// A redelivery of the same batch is the same again, with nothing doubled.
	want = Recorded{Duplicate: 496, Quarantined: map[Reason]int{ReasonNotStorable: 4}}
	if diff := cmp.Diff(want, record(t, s, d)); diff != "" {
		t.Error(diff)
	}
	if n := count(t, s, `SELECT count(*) FROM quarantine`); n != 4 {
		t.Errorf("%d rows in quarantine, want 4", n)
	}
}

func TestRecordCreatesPartitionsForLateData(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07")
	var batch []Delivery
	for _, month := range []time.Month{1, 3, 11, 12} {
		// The last µs of a month and the first of the next, in UTC: in New York
		// it is still the evening before.
		edge := time.Date(2025, month, 1, 0, 0, 0, 0, time.UTC)
		batch = append(batch, message("heron-07", "north-bay", site.RH, edge.Add(-time.Microsecond), 50),
			message("heron-07", "north-bay", site.RH, edge, 51))
	}
	if got := record(t, s, batch...); got.Stored != len(batch) {
		t.Fatalf("%+v", got)
	}
	wrong := count(t, s, `SELECT count(*) FROM readings
		WHERE tableoid::regclass::text <> 'readings_y' || to_char(at AT TIME ZONE 'UTC', 'YYYY"m"MM')`)
	if wrong != 0 {
		t.Errorf("%d readings in another month's partition", wrong)
	}
	if n := count(t, s, `SELECT count(DISTINCT tableoid) FROM readings`); n != 7 {
		t.Errorf("%d partitions used, want 7", n)
	}
	// Only months with data get a partition.
	if n := count(t, s, `SELECT count(to_regclass('readings_y2025m06'))`); n != 0 {
		t.Error("a month without data got a partition")
	}
}

// A partition that another process dropped is made again.
func TestRecordAfterAPartitionWasDropped(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07")
	old := time.Date(2024, 5, 5, 0, 0, 0, 0, time.UTC)
	record(t, s, message("heron-07", "north-bay", site.RH, old, 50))
	if _, err := s.owner.Exec(t.Context(), `DROP TABLE readings_y2024m05`); err != nil {
		t.Fatal(err)
	}
	if got := record(t, s, message("heron-07", "north-bay", site.RH, old, 50)); got.Stored != 1 {
		t.Errorf("%+v", got)
	}
}

func TestRecordContactsAndPresence(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07", "gull-02")
	cleanDue(t, s)
	record(t, s,
		Delivery{Property: "heron-07", Gateway: "main", Received: testNow, Presence: PresenceOffline},
		Delivery{Property: "gull-02", Gateway: "main", Received: testNow, Refused: []Refusal{{
			Topic: "underkeep/1/gull-02/main/readings", Payload: []byte("garbage"), PayloadBytes: 7, Reason: ReasonNotSenML, Detail: "not JSON"}}},
		message("gull-02", "north-bay", site.RH, testNow, 50),
	)
	contacts := dump(t, s, `SELECT name, gateway_id, presence FROM contact JOIN property USING (property_id) ORDER BY 1, 3`)
	if want := "gull-02 0 0\nheron-07 0 2"; contacts != want {
		t.Errorf("contacts:\n%s\nwant\n%s", contacts, want)
	}
	due := dump(t, s, `SELECT DISTINCT name, earliest_at IS NULL FROM due JOIN property USING (property_id) ORDER BY 1, 2`)
	if want := "gull-02 false\ngull-02 true\nheron-07 true"; due != want {
		t.Errorf("due:\n%s\nwant\n%s", due, want)
	}
}

// Redelivered poison must not fill the quarantine, and 100 refusals of one
// pack share its payload.
func TestQuarantineHoldsEachThingOnce(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07")
	pack := Delivery{Property: "heron-07", Gateway: "main", Received: testNow}
	for i := range 100 {
		pack.Refused = append(pack.Refused, Refusal{Topic: "t", Payload: []byte("[...]"), PayloadBytes: 5,
			Reason: ReasonImpossible, Point: "north-bay", Quantity: site.RH, At: testNow.Add(time.Duration(i) * time.Second), Value: math.MaxFloat64})
	}
	for range 2 {
		if got := record(t, s, pack); got.Quarantined[ReasonImpossible] != 100 {
			t.Fatalf("%+v", got)
		}
	}
	if n := count(t, s, `SELECT count(*) FROM quarantine`); n != 100 {
		t.Errorf("%d rows, want 100", n)
	}
	if n := count(t, s, `SELECT count(*) FROM quarantine_payload`); n != 1 {
		t.Errorf("%d payloads, want 1", n)
	}
}

// Several services record overlapping redeliveries at once; every reading is
// stored by exactly one call and marked due by exactly that one.
func TestRecordFromSeveralGoroutines(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07")
	cleanDue(t, s)
	const workers, n = 4, 400
	var wg sync.WaitGroup
	results := make([]Recorded, workers)
	errs := make([]error, workers)
	for w := range workers {
		wg.Go(func() {
			all := series(n).Readings
			for i := 0; i < n && errs[w] == nil; i += 50 {
				from := (i + w*100) % n
				d := Delivery{Property: "heron-07", Gateway: "main", Received: testNow, Readings: all[from : from+50]}
				var got Recorded
				got, errs[w] = s.Record(t.Context(), []Delivery{d})
				results[w].Stored += got.Stored
				results[w].Duplicate += got.Duplicate
			}
		})
	}
	wg.Wait()
	var sum Recorded
	for w := range workers {
		if errs[w] != nil {
			t.Fatal(errs[w])
		}
		sum.Stored += results[w].Stored
		sum.Duplicate += results[w].Duplicate
	}
	if diff := cmp.Diff(Recorded{Stored: n, Duplicate: (workers - 1) * n}, sum); diff != "" {
		t.Error(diff)
	}
	if got := count(t, s, `SELECT count(*) FROM readings`); got != n {
		t.Errorf("%d readings, want %d", got, n)
	}
	if got := count(t, s, `SELECT count(*) FROM due`); got < 1 || got > n/50+workers {
		t.Errorf("%d due rows", got)
	}
}
