package store

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"

	"underkeep/alerting"
	"underkeep/store/site"
)

// airing is one RH reading every five minutes at the north bay from start to
// end (exclusive), at the value that rh gives for it.
func airing(property string, start, end time.Time, rh func(time.Time) float64) Delivery {
	d := Delivery{Property: property, Gateway: "main", Received: end}
	for at := start; at.Before(end); at = at.Add(5 * time.Minute) {
		d.Readings = append(d.Readings, Reading{Point: "north-bay", Quantity: site.RH, At: at, Value: rh(at)})
	}
	return d
}

func constant(v float64) func(time.Time) float64 { return func(time.Time) float64 { return v } }

// evaluateAll evaluates until nothing is due.
func evaluateAll(tb testing.TB, s *Store, now time.Time) (sum Evaluated) {
	tb.Helper()
	for range 1000 {
		out, err := s.EvaluateDue(tb.Context(), now)
		if err != nil {
			tb.Fatal(err)
		}
		if out.Properties == 0 {
			return sum
		}
		sum.add(out)
	}
	tb.Fatal("evaluation never ends")
	return sum
}

func alarms(tb testing.TB, s *Store, q AlarmQuery) []AlarmRecord {
	tb.Helper()
	q.Scope = AllProperties
	if q.Now.IsZero() {
		q.Now = testNow
	}
	out, _, err := s.Alarms(tb.Context(), q)
	if err != nil {
		tb.Fatal(err)
	}
	return out
}

// humid is a day ago, with an excursion above 60 %RH from then on.
var humid = testNow.Truncate(time.Hour).Add(-24 * time.Hour)

// By the contract an unbroken excursion of humidity-high is raised exactly six
// hours after it began.
func TestEvaluationRaisesAndClears(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07")
	wet := humid.Add(8 * time.Hour)
	record(t, s, airing("heron-07", humid.Add(-6*time.Hour), humid, constant(50)), airing("heron-07", humid, wet, constant(66)))
	evaluateAll(t, s, wet)
	got := alarms(t, s, AlarmQuery{Condition: site.HumidityHigh})
	if len(got) != 1 {
		t.Fatalf("%d alarms, want 1: %+v", len(got), got)
	}
	a := got[0]
	if !a.RaisedAt.Equal(humid.Add(6*time.Hour)) || a.State != StateUnacknowledged || !strings.HasPrefix(a.ID, "heron-07.") || a.Point != "north-bay" || a.Priority != alerting.Medium {
		t.Errorf("alarm %+v", a)
	}
	record(t, s, airing("heron-07", wet, wet.Add(4*time.Hour), constant(50)))
	evaluateAll(t, s, wet.Add(4*time.Hour))
	a = alarms(t, s, AlarmQuery{Condition: site.HumidityHigh})[0]
	if a.ClearedAt.IsZero() || a.State != StateReturned {
		t.Errorf("after a dry spell: cleared %v, state %s", a.ClearedAt, a.State)
	}
	journal, err := s.Journal(t.Context(), AllProperties, a.ID)
	if err != nil {
		t.Fatal(err)
	}
	var kinds []string
	for _, e := range journal {
		kinds = append(kinds, e.Kind)
	}
	if diff := cmp.Diff([]string{"raised", "cleared"}, kinds); diff != "" {
		t.Error(diff)
	}
	if n := count(t, s, `SELECT count(*) FROM due`); n != 0 {
		t.Errorf("%d due rows left", n)
	}
}

// state is what follows from the readings of a fleet by event time. What is
// judged by receipt is left out, evidence that mentions it too: that, delivery
// may change.
func state(tb testing.TB, s *Store) string {
	tb.Helper()
	return dump(tb, s, `SELECT name, condition, point, priority, raised_at, cleared_at, jsonb_path_query_array(causes, '$[*].cause')::text, suppressed_by
		FROM alarm JOIN property USING (property_id)
		WHERE withdrawn_at IS NULL AND condition NOT IN ('gateway-silent', 'point-silent') ORDER BY name, raised_at, condition, point`) + "\n" +
		dump(tb, s, `SELECT name, evaluated_to FROM evaluation JOIN property USING (property_id) ORDER BY name`)
}

// twoDays is a recording with two excursions and a wet float.
func twoDays(property string) []Delivery {
	start := humid.Add(-24 * time.Hour)
	rh := func(at time.Time) float64 {
		if h := at.Sub(start) / time.Hour; h >= 5 && h < 14 || h >= 26 && h < 40 {
			return 68
		}
		return 48
	}
	all := airing(property, start, humid.Add(24*time.Hour), rh)
	for h := range 48 {
		v := 0.0
		if h == 30 {
			v = 1
		}
		all.Readings = append(all.Readings, Reading{Point: "sump", Quantity: site.HighWater, At: start.Add(time.Duration(h) * time.Hour), Value: v})
	}
	slices.SortStableFunc(all.Readings, func(a, b Reading) int { return a.At.Compare(b.At) })
	var out []Delivery
	for chunk := range slices.Chunk(all.Readings, 24) {
		out = append(out, Delivery{Property: property, Gateway: "main", Readings: chunk, Received: chunk[len(chunk)-1].At.Add(time.Second)})
	}
	return out
}

func lastReceipt(ds []Delivery) (last time.Time) {
	for _, d := range ds {
		if d.Received.After(last) {
			last = d.Received
		}
	}
	return last
}

// Delivered in order and at once, in order and one by one, or with a day late:
// what follows is the same.
func TestEvaluationOfLateDataEqualsThatInOrder(t *testing.T) {
	t.Parallel()
	deliveries := twoDays("heron-07")
	end := lastReceipt(deliveries)
	inOrder := func(t *testing.T, s *Store) {
		for _, d := range deliveries {
			record(t, s, d)
			evaluateAll(t, s, d.Received)
		}
	}
	late := func(t *testing.T, s *Store) {
		for i, d := range deliveries {
			if i < 3 || i > 15 {
				record(t, s, d)
				evaluateAll(t, s, d.Received)
			}
		}
		for _, d := range deliveries[3:16] {
			d.Received = end
			record(t, s, d)
		}
		if out := evaluateAll(t, s, end); out.Late == 0 {
			t.Error("nothing was late")
		}
	}
	atOnce := func(t *testing.T, s *Store) {
		record(t, s, deliveries...)
		evaluateAll(t, s, end)
	}
	var want string
	for _, c := range []struct {
		name string
		play func(*testing.T, *Store)
	}{{"in order", inOrder}, {"late", late}, {"at once", atOnce}} {
		s := openTest(t)
		withCottages(t, s, "heron-07")
		c.play(t, s)
		got := state(t, s)
		if want == "" {
			if want = got; !strings.Contains(want, "humidity-high") || !strings.Contains(want, "high-water") {
				t.Fatalf("the recording raises too little:\n%s", want)
			}
			continue
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%s: %s", c.name, diff)
		}
	}
}

// Gateways do not send in step: what is late by seconds is put in order, and
// costs the readings of the last minute or two, not those of six hours.
func TestSlightlyLateReadingsCostLittle(t *testing.T) {
	t.Parallel()
	s, tidy := openTest(t), openTest(t)
	withCottages(t, s, "heron-07")
	withCottages(t, tidy, "heron-07")
	start := humid
	record(t, s, airing("heron-07", start.Add(-10*time.Hour), start, constant(66)))
	record(t, tidy, airing("heron-07", start.Add(-10*time.Hour), start, constant(66)))
	evaluateAll(t, s, start)
	evaluateAll(t, tidy, start)
	late, read := 0, 0
	var all []Delivery
	for i := range 40 {
		at := start.Add(time.Duration(i) * 20 * time.Second)
		ahead := message("heron-07", "north-bay", site.RH, at, 66)
		behind := message("heron-07", "sump", site.HighWater, at.Add(-time.Duration(i%7)*time.Second), float64(i/10%2))
		ahead.Received, behind.Received = at, at.Add(time.Second)
		all = append(all, ahead, behind)
		for _, d := range []Delivery{ahead, behind} {
			record(t, s, d)
			out := evaluateAll(t, s, d.Received)
			late += out.Late
			read += out.Readings
		}
	}
	record(t, tidy, all...)
	evaluateAll(t, tidy, start.Add(20*time.Minute))
	evaluateAll(t, s, start.Add(20*time.Minute))
	if diff := cmp.Diff(state(t, tidy), state(t, s)); diff != "" || !strings.Contains(state(t, s), "high-water") {
		t.Errorf("in order and out of it differ: %s", diff)
	}
	if late < 30 || read > 80+late*15 {
		t.Errorf("%d times late, %d readings for 80 new ones", late, read)
	}
}

// A gateway forwards two days piece by piece while another one is live: each
// piece goes on behind the one before, and all comes out as in order.
func TestBacklogInPiecesGoesOnBehindTheLast(t *testing.T) {
	t.Parallel()
	s, tidy := openTest(t), openTest(t)
	withCottages(t, s, "heron-07")
	withCottages(t, tidy, "heron-07")
	deliveries := twoDays("heron-07")
	end := lastReceipt(deliveries)
	live := message("heron-07", "gauge", site.Rain, end, 0.2)
	live.Received = end
	record(t, tidy, append(deliveries, live)...)
	evaluateAll(t, tidy, end)

	record(t, s, live)
	evaluateAll(t, s, end)
	read, total := 0, 1
	for _, d := range deliveries {
		d.Received = end.Add(time.Second)
		record(t, s, d)
		out := evaluateAll(t, s, end)
		read += out.Readings
		total += len(d.Readings)
		if out.Late != 1 {
			t.Fatalf("%+v, want it late", out)
		}
	}
	if diff := cmp.Diff(state(t, tidy), state(t, s)); diff != "" {
		t.Error(diff)
	}
	if read > 3*total {
		t.Errorf("%d readings handed over for %d", read, total)
	}
}

// A second process takes over from the state in the database at any moment.
func TestEvaluationGoesOnInAnotherProcess(t *testing.T) {
	t.Parallel()
	a := openTest(t)
	b := openURL(t, a.url)
	withCottages(t, a, "heron-07")
	alone := openTest(t)
	withCottages(t, alone, "heron-07")
	deliveries := twoDays("heron-07")
	for i, d := range deliveries {
		s := []*Store{a, b}[i%2]
		record(t, s, d)
		evaluateAll(t, s, d.Received)
		record(t, alone, d)
		evaluateAll(t, alone, d.Received)
	}
	if diff := cmp.Diff(state(t, alone), state(t, a)); diff != "" {
		t.Error(diff)
	}
}

// Several readings of the very instant reached come in messages of their own.
func TestEvaluationTakesReadingsOfOneInstantOnce(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07")
	at := testNow.Add(-time.Minute)
	read := 0
	for _, point := range []string{"north-bay", "south-bay"} {
		for _, q := range []site.Quantity{site.RH, site.AirTemp} {
			record(t, s, message("heron-07", point, q, at, 15))
			read += evaluateAll(t, s, testNow).Readings
		}
	}
	if read != 4 {
		t.Errorf("%d readings handed to the evaluator, want each of 4 once", read)
	}
	if edge := dump(t, s, `SELECT array_length(edge_series, 1) FROM evaluation`); edge != "4" {
		t.Errorf("edge of %s series, want 4", edge)
	}
}

// Ingest commits while workers evaluate: no due row is lost and none blocks.
func TestDueRowsAreNeverLost(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	fleet := []string{"heron-07", "gull-02", "tern-11", "rail-05"}
	withCottages(t, s, fleet...)
	ctx, cancel := context.WithCancel(t.Context())
	var workers, senders sync.WaitGroup
	workers.Go(func() { s.RunEvaluators(ctx, 3, nil) })
	const n = 60
	for _, id := range fleet {
		senders.Go(func() {
			for i := range n {
				at := testNow.Add(time.Duration(i-n) * time.Second)
				if _, err := s.Record(t.Context(), []Delivery{message(id, "north-bay", site.RH, at, 50)}); err != nil {
					t.Error(err)
					return
				}
			}
		})
	}
	senders.Wait()
	eventually(t, "due rows consumed", func() bool {
		return count(t, s, `SELECT count(*) FROM due`) == 0
	})
	cancel()
	workers.Wait()
	last := testNow.Add(-time.Second)
	if got := count(t, s, `SELECT count(*) FROM evaluation WHERE evaluated_to = $1`, last); got != len(fleet) {
		t.Errorf("%d properties evaluated to the last reading, want %d:\n%s", got, len(fleet), state(t, s))
	}
}

// Timers that run out without end, and a property with a long queue, keep no
// other property waiting.
func TestEveryDuePropertyHasItsTurn(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	fleet := make([]string, 2*evaluateAtOnce+3)
	var file strings.Builder
	for i := range fleet {
		fleet[i] = fmt.Sprintf("cottage-%d", i)
		file.WriteString("---\n" + cottage(fleet[i]))
	}
	if _, err := s.RegisterFile(t.Context(), []byte(file.String()), "fleet.yaml", "test"); err != nil {
		t.Fatal(err)
	}
	busy := fmt.Sprintf(`INSERT INTO due (property_id, received_at) SELECT p, now() FROM generate_series(1, 40) p, generate_series(1, 50);
		UPDATE evaluation SET wake_at = '%s' WHERE property_id > 60`, testNow.Format(time.RFC3339))
	seen := map[int32]bool{}
	for range 4 {
		if _, err := s.owner.Exec(t.Context(), busy); err != nil {
			t.Fatal(err)
		}
		nums, err := s.dueProperties(t.Context(), testNow, testNow)
		if err != nil {
			t.Fatal(err)
		}
		for _, n := range nums {
			seen[n] = true
		}
	}
	if len(seen) != len(fleet) {
		t.Errorf("%d of %d properties had a turn", len(seen), len(fleet))
	}
}

func TestFailedEvaluationKeepsWhatMadeItDue(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07", "gull-02")
	broken := errors.New("no paper left")
	s.opts.InEvaluation = func(_ context.Context, _ pgx.Tx, changes []AlarmChange) error {
		for _, c := range changes {
			if strings.HasPrefix(c.ID, "heron-07.") {
				return broken
			}
		}
		return nil
	}
	wet := humid.Add(8 * time.Hour)
	record(t, s, airing("heron-07", humid, wet, constant(66)), airing("gull-02", humid, wet, constant(66)))
	if out := evaluateAll(t, s, wet); out.Failed != 1 {
		t.Errorf("%+v, want one failure", out)
	}
	if got := dump(t, s, `SELECT DISTINCT name FROM due JOIN property USING (property_id)`); got != "heron-07" {
		t.Errorf("due: %q, want the failed property alone", got)
	}
	if got := dump(t, s, `SELECT DISTINCT name FROM alarm JOIN property USING (property_id)`); got != "gull-02" {
		t.Errorf("alarms of %q, want those of the other property", got)
	}
	page, _, err := s.Properties(t.Context(), PropertyQuery{Scope: AllProperties, Now: wet, Text: "heron"})
	if err != nil || len(page) != 1 || !strings.Contains(page[0].Failure, broken.Error()) {
		t.Errorf("status %+v, %v; want the reason", page, err)
	}
	// Repaired, it is tried again when its time has come, not before.
	s.opts.InEvaluation = nil
	if out := evaluateAll(t, s, wet); out.Properties != 0 {
		t.Error("tried again at once")
	}
	evaluateAll(t, s, wet.Add(time.Hour))
	if n := count(t, s, `SELECT count(*) FROM due`); n != 0 {
		t.Errorf("%d due rows left", n)
	}
	if n := count(t, s, `SELECT count(*) FROM alarm WHERE condition = 'humidity-high'`); n != 2 {
		t.Errorf("%d alarms, want 2", n)
	}
}

// By the contract a silent gateway is raised after three of its shortest
// intervals and at least 30 min; not over time in which nobody listened.
func TestSilenceIsJudgedOnlyWhileWeListen(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name   string
		outage time.Duration
		want   int
	}{{"listening", 0, 1}, {"deaf", 2 * time.Hour, 0}} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := openTest(t)
			withCottages(t, s, "heron-07")
			start := humid
			beat := func(from, to time.Time) {
				for at := from; !at.After(to); at = at.Add(20 * time.Second) {
					if err := s.Beat(t.Context(), at); err != nil {
						t.Fatal(err)
					}
				}
			}
			d := airing("heron-07", start.Add(-time.Hour), start, constant(50))
			beat(start.Add(-time.Minute), start)
			record(t, s, d)
			evaluateAll(t, s, start)
			end := start.Add(40 * time.Minute)
			if c.outage == 0 {
				beat(start, end)
			} else {
				end = start.Add(c.outage)
				beat(end, end.Add(20*time.Second))
				end = end.Add(20 * time.Second)
			}
			evaluateAll(t, s, end)
			if got := len(alarms(t, s, AlarmQuery{Condition: site.GatewaySilent})); got != c.want {
				t.Errorf("%d alarms, want %d", got, c.want)
			}
			if n := count(t, s, `SELECT count(*) FROM deaf`); n != 1-c.want {
				t.Errorf("%d times of deafness noted", n)
			}
		})
	}
}

// While nobody listens, the watermark stands still.
func TestWatermarkStandsStillWhileNobodyListens(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	if err := s.Beat(t.Context(), testNow); err != nil {
		t.Fatal(err)
	}
	for after, want := range map[time.Duration]time.Duration{
		0: 0, 20 * time.Second: 20 * time.Second, 10 * time.Minute: 0,
	} {
		got, err := s.horizon(t.Context(), testNow.Add(after))
		if err != nil || !got.Equal(testNow.Add(want)) {
			t.Errorf("%v after the last beat: watermark %v, %v; want %v", after, got, err, testNow.Add(want))
		}
	}
}

// An alarm is tied to the version of the file: a corrected limit re-evaluates
// from the start.
func TestCorrectionEvaluatesFromTheStart(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07")
	deliveries := twoDays("heron-07")
	record(t, s, deliveries...)
	end := lastReceipt(deliveries)
	evaluateAll(t, s, end)
	before := len(alarms(t, s, AlarmQuery{Condition: site.HumidityHigh}))
	if before == 0 {
		t.Fatal("no alarm to begin with")
	}
	register(t, s, cottage("heron-07")+"limits: {humidity-high: {above: 75 %RH, clear: 70 %RH}}\n")
	if out := evaluateAll(t, s, end); out.Late != 1 {
		t.Errorf("%+v, want the property to go back", out)
	}
	for _, a := range alarms(t, s, AlarmQuery{Condition: site.HumidityHigh}) {
		if a.WithdrawnAt.IsZero() {
			t.Errorf("%s of %v stands under the corrected limit", a.ID, a.RaisedAt)
		}
	}
}

func TestCheckpointsThinWithAge(t *testing.T) {
	t.Parallel()
	pos := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	kept := map[string]int{}
	var last time.Time
	for at := pos; pos.Sub(at) < 500*24*time.Hour; at = at.Add(-alerting.CheckpointEvery) {
		if !worthKeeping(at, pos) {
			continue
		}
		if gap := last.Sub(at); !last.IsZero() && gap > 28*24*time.Hour {
			t.Errorf("no checkpoint between %v and %v", at, last)
		}
		last = at
		kept["all"]++
		if pos.Sub(at) <= 9*24*time.Hour {
			kept["nine days"]++
		}
	}
	if kept["all"] > 45 || kept["nine days"] < 13 {
		t.Errorf("kept %v", kept)
	}
	if age := pos.Sub(last); age < 370*24*time.Hour {
		t.Errorf("the oldest is only %v old", age)
	}
	// What is kept later must have been kept before.
	for at := pos; pos.Sub(at) < 500*24*time.Hour; at = at.Add(-alerting.CheckpointEvery) {
		if worthKeeping(at, pos) && !worthKeeping(at, pos.Add(-alerting.CheckpointEvery)) && !at.Equal(pos) {
			t.Errorf("%v is wanted now but was thinned out before", at)
		}
	}
}

func ExampleAlarmID() {
	fmt.Println(AlarmID("heron-07", 12))
	// Output: heron-07.12
}
