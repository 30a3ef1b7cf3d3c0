package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"

	"underkeep/alerting"
	"underkeep/store/evidence"
	"underkeep/store/site"
)

// sealing is a store with cottages whose days can be sealed.
type sealing struct {
	*Store
	keys  *Keyring
	delay time.Duration
	hot   time.Duration
}

func openSealing(t testing.TB, ids ...string) *sealing {
	t.Helper()
	s := &sealing{Store: openTest(t), delay: time.Hour}
	withCottages(t, s.Store, ids...)
	var err error
	if s.keys, err = CreateKeyring(filepath.Join(t.TempDir(), "evidence"), "example.org/log"); err != nil {
		t.Fatal(err)
	}
	return s
}

func (s *sealing) options() SealOptions {
	return SealOptions{Keys: s.keys, Delay: s.delay, HotWindow: s.hot, Workers: 2}
}

func (s *sealing) seal(t testing.TB, now time.Time) Sealed {
	t.Helper()
	out, err := s.Seal(t.Context(), s.options(), now)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// whole fails unless all of the log verifies, texts included.
func (s *sealing) whole(t testing.TB) int64 {
	t.Helper()
	n, err := s.VerifyLog(t.Context(), s.keys, true)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

var newYork = func() *time.Location {
	loc, err := time.LoadLocation("America/New_York")
	if err != nil {
		panic(err)
	}
	return loc
}()

// sealFrom is midnight in New York.
var sealFrom = time.Date(2026, 3, 6, 0, 0, 0, 0, newYork)

// history is what a cottage sends from sealFrom on: RH and temperature of two
// bays every half hour, a pump now and then, each message some seconds later;
// days over the change of clocks on 2026-03-08 are among them.
func history(property string, days int, seed uint64) []Delivery {
	r := rand.New(rand.NewPCG(seed, 7))
	var out []Delivery
	end := sealFrom.AddDate(0, 0, days)
	for at := sealFrom; at.Before(end); at = at.Add(30 * time.Minute) {
		d := Delivery{Property: property, Gateway: "main", Received: at.Add(time.Duration(1000+r.IntN(2000)) * time.Millisecond)}
		for _, p := range []string{"north-bay", "south-bay"} {
			d.Readings = append(d.Readings,
				Reading{Point: p, Quantity: site.RH, At: at, Value: float64(5000+r.IntN(300)) / 100},
				Reading{Point: p, Quantity: site.AirTemp, At: at, Value: float64(1500+r.IntN(100)) / 100})
		}
		if r.IntN(8) == 0 {
			d.Readings = append(d.Readings, Reading{Point: "sump", Quantity: site.PumpRun, At: at.Add(-time.Minute), Value: 31.5, AtReceipt: r.IntN(2) == 0})
		}
		out = append(out, d)
	}
	out[0].Readings = out[0].Readings[:4] // the pump cycle would be of the day before
	return out
}

// sendAll records a history in batches.
func sendAll(t testing.TB, s *Store, deliveries []Delivery) {
	t.Helper()
	for batch := range slices.Chunk(deliveries, 500) {
		record(t, s, batch...)
	}
}

const everyReading = `SELECT property_id, series_id, gateway_id, at, value, received_at, at_receipt FROM readings ORDER BY 1, 2, 4`

func TestSealsFinishedDays(t *testing.T) {
	t.Parallel()
	s := openSealing(t, "heron-07", "egret-03")
	sendAll(t, s.Store, history("heron-07", 5, 1))
	now := sealFrom.AddDate(0, 0, 4).Add(s.delay - time.Second)
	got := s.seal(t, now)
	if got.Days != 3 || got.Records != 4 { // and the key
		t.Errorf("sealed %+v, want 3 days and the key", got)
	}
	got = s.seal(t, now.Add(time.Second))
	if got.Days != 1 || got.Records != 5 {
		t.Errorf("sealed %+v, want one more when its delay is over", got)
	}
	if again := s.seal(t, now.Add(time.Second)); again.Days != 0 || again.Records != 5 {
		t.Errorf("sealed %+v again", again)
	}
	if n := s.whole(t); n != 5 {
		t.Errorf("%d records verify", n)
	}
	b, err := s.EvidenceBundle(t.Context(), AllProperties, "heron-07", site.DateOf(sealFrom), site.DateOf(sealFrom).AddDays(4))
	if err != nil {
		t.Fatal(err)
	}
	v := verifiedBundle(t, s, b)
	want := count(t, s.Store, `SELECT count(*) FROM readings WHERE at < $1`, sealFrom.AddDate(0, 0, 4))
	if v.Readings != want || len(v.Days) != 4 || !v.Missing(site.DateOf(sealFrom).AddDays(4)) {
		t.Errorf("%s; want %d readings", v, want)
	}
	if hours := v.Days[2].To.Sub(v.Days[2].From); hours != 23*time.Hour {
		t.Errorf("2026-03-08 has %s", hours)
	}
}

func verifiedBundle(t *testing.T, s *sealing, b *evidence.Bundle) *evidence.Verified {
	t.Helper()
	data, err := evidence.BuildBundle(b)
	if err != nil {
		t.Fatal(err)
	}
	opened, err := evidence.OpenBundle(data)
	if err != nil {
		t.Fatal(err)
	}
	keys, err := evidence.ParseKeys(strings.Join(s.keys.Public(time.Now()), "\n"))
	if err != nil {
		t.Fatal(err)
	}
	v, err := evidence.VerifyLog(opened, keys)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// answers is everything that readers say of a property, as text.
func answers(t *testing.T, s *Store, property string, days int) string {
	t.Helper()
	var out strings.Builder
	end := sealFrom.AddDate(0, 0, days)
	for _, series := range []Series{{Point: "north-bay", Quantity: site.RH}, {Point: "south-bay", Quantity: site.AirTemp}, {Point: "sump", Quantity: site.PumpRun}} {
		for _, q := range []ReadingQuery{{}, {From: sealFrom.Add(10 * time.Hour), To: end.Add(-30 * time.Hour)}, {Limit: 7},
			{From: sealFrom, After: sealFrom.Add(20 * time.Hour), Limit: 60}, {From: end.Add(-3 * time.Hour)}} {
			q.Property, q.Point, q.Quantity = property, series.Point, series.Quantity
			got, err := s.Readings(t.Context(), q)
			if err != nil {
				t.Fatal(err)
			}
			fmt.Fprintln(&out, series, len(got), got)
		}
		b, err := s.Buckets(t.Context(), ReadingQuery{Property: property, Point: series.Point, Quantity: series.Quantity, From: sealFrom.Add(90 * time.Minute), To: end}, 5*time.Hour)
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range b {
			fmt.Fprintf(&out, "%s %.9g %.9g %.9g %.9g %d\n", x.At, x.Low, x.Mean, x.High, x.Sum, x.Count)
		}
	}
	for _, from := range []time.Time{{}, sealFrom.Add(10 * time.Hour)} {
		for _, to := range []time.Time{{}, end.Add(-30 * time.Hour)} {
			fmt.Fprintln(&out, columnsAsSamples(t, s, ColumnQuery{Property: property, Point: "north-bay", Quantities: []site.Quantity{site.AirTemp, site.RH, site.Leak}, From: from, To: to}))
		}
	}
	err := s.EachMessage(t.Context(), property, sealFrom, end, func(m alerting.Message) error {
		fmt.Fprintln(&out, m.Received, m.Contact, m.Readings)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	d, err := s.Property(t.Context(), AllProperties, property, end)
	if err != nil {
		t.Fatal(err)
	}
	fmt.Fprintln(&out, d.Latest)
	return out.String()
}

// columnsAsSamples asks for columns with and without receipts, holds them
// against the readings one by one, and says how many there are.
func columnsAsSamples(t *testing.T, s *Store, q ColumnQuery) []int {
	t.Helper()
	bare, err := s.Columns(t.Context(), q)
	if err != nil {
		t.Fatal(err)
	}
	q.Receipts = true
	full, err := s.Columns(t.Context(), q)
	if err != nil {
		t.Fatal(err)
	}
	var counts []int
	for i, quantity := range q.Quantities {
		want, err := s.Readings(t.Context(), ReadingQuery{Property: q.Property, Point: q.Point, Quantity: quantity, From: q.From, To: q.To})
		if err != nil && !errors.Is(err, ErrNotFound) {
			t.Fatal(err)
		}
		for k := range want {
			want[k].AtReceipt = false
		}
		if diff := cmp.Diff(want, samplesOf(full[i])); diff != "" {
			t.Errorf("%s from %s to %s: columns differ (-readings +columns):\n%.2000s", quantity, q.From, q.To, diff)
		}
		for k := range want {
			want[k].Received = time.Time{}
		}
		if diff := cmp.Diff(want, samplesOf(bare[i])); diff != "" {
			t.Errorf("%s without receipts (-readings +columns):\n%.2000s", quantity, diff)
		}
		counts = append(counts, len(want))
	}
	return counts
}

func samplesOf(columns []Column) []Sample {
	var out []Sample
	for _, c := range columns {
		for row, at := range c.At {
			if math.IsNaN(c.Values[row]) {
				continue
			}
			m := Sample{At: time.UnixMicro(at).UTC(), Value: c.Values[row]}
			if c.Received != nil {
				m.Received = time.UnixMicro(c.Received[row]).UTC()
			}
			out = append(out, m)
		}
	}
	return out
}

// dropAll seals and gives up every raw row of a closed month.
func dropAll(t *testing.T, s *sealing, now time.Time) {
	t.Helper()
	s.hot = time.Hour
	s.seal(t, now)
	if got := s.seal(t, now.Add(dropAfter)); got.Dropped == 0 {
		t.Fatalf("nothing was dropped: %+v", got)
	}
	s.hot = 0
	if n := count(t, s.Store, `SELECT count(*) FROM readings WHERE at < '2026-04-01 00:00:00+00'`); n != 0 {
		t.Fatalf("%d raw rows of March are left", n)
	}
}

// TestReadersMergeWithoutNoticing: what readers say before raw rows are dropped
// and after is the same, to the last digit; across the end of the month too.
func TestReadersMergeWithoutNoticing(t *testing.T) {
	t.Parallel()
	const days = 30 // into April
	s := openSealing(t, "heron-07")
	sendAll(t, s.Store, history("heron-07", days, 3))
	before := answers(t, s.Store, "heron-07", days)
	raw := dump(t, s.Store, everyReading)
	dropAll(t, s, sealFrom.AddDate(0, 0, days+1))
	if diff := cmp.Diff(before, answers(t, s.Store, "heron-07", days)); diff != "" {
		t.Errorf("answers differ (-before +after):\n%.3000s", diff)
	}
	if left := dump(t, s.Store, everyReading); left == raw || left == "" || !strings.HasSuffix(raw, left[strings.LastIndex(left, "\n"):]) {
		t.Error("the raw rows of April are not left, or those of March are not gone")
	}
	s.whole(t)
}

// TestRedeliveryBelowTheHorizon: the same value is harmless, another one goes to
// quarantine, and what is new is read at once and amended.
func TestRedeliveryBelowTheHorizon(t *testing.T) {
	t.Parallel()
	const days = 28
	s := openSealing(t, "heron-07")
	sent := history("heron-07", days, 4)
	sendAll(t, s.Store, sent)
	now := sealFrom.AddDate(0, 0, days+1)
	dropAll(t, s, now)

	got := record(t, s.Store, sent[100:200]...)
	if got.Stored != 0 || got.Duplicate != got.Total() || got.Duplicate < 400 {
		t.Errorf("redelivery came to %+v", got)
	}
	at := sent[100].Readings[0].At
	late := func(at time.Time, value float64) Delivery {
		return Delivery{Property: "heron-07", Gateway: "main", Received: now.Add(time.Minute),
			Readings: []Reading{{Point: "north-bay", Quantity: site.RH, At: at, Value: value}}}
	}
	if got := record(t, s.Store, late(at, 99)); got.Quarantined[ReasonConflict] != 1 || got.Stored != 0 {
		t.Errorf("another value came to %+v", got)
	}
	fresh := at.Add(time.Second)
	if got := record(t, s.Store, late(fresh, 61)); got.Stored != 1 {
		t.Errorf("a new reading came to %+v", got)
	}
	if got := record(t, s.Store, late(fresh, 61)); got.Duplicate != 1 {
		t.Errorf("its redelivery came to %+v", got)
	}
	if got := record(t, s.Store, late(fresh, 62)); got.Quarantined[ReasonConflict] != 1 {
		t.Errorf("its other value came to %+v", got)
	}
	reads := func(when string) {
		t.Helper()
		found, err := s.Readings(t.Context(), ReadingQuery{Property: "heron-07", Point: "north-bay", Quantity: site.RH, From: fresh, To: fresh.Add(time.Second)})
		if err != nil || len(found) != 1 || found[0].Value != 61 {
			t.Errorf("%s it reads %v, %v", when, found, err)
		}
		columnsAsSamples(t, s.Store, ColumnQuery{Property: "heron-07", Point: "north-bay", Quantities: []site.Quantity{site.RH, site.AirTemp}})
	}
	reads("before it is amended")
	evaluateAll(t, s.Store, time.Now())
	if got := s.seal(t, now.Add(time.Hour)); got.Amendments != 1 {
		t.Errorf("amended %+v", got)
	}
	reads("afterwards")
	if n := count(t, s.Store, `SELECT (SELECT count(*) FROM late_reading) + (SELECT count(*) FROM seal_due)`); n != 0 {
		t.Errorf("%d rows still wait", n)
	}
	if got := record(t, s.Store, late(fresh, 61)); got.Duplicate != 1 {
		t.Errorf("a redelivery after the amendment came to %+v", got)
	}
	s.whole(t)
	day := site.DateOf(fresh.In(newYork))
	b, err := s.EvidenceBundle(t.Context(), AllProperties, "heron-07", day, day)
	if err != nil {
		t.Fatal(err)
	}
	v := verifiedBundle(t, s, b)
	if len(v.Days) != 2 || !v.Days[1].Unwitnessed || v.Days[1].Count() != 1 {
		t.Errorf("%s, want a day and its unwitnessed amendment", v)
	}
}

// TestLateWhileHot: late readings of a sealed day whose raw rows are there are
// amended too, those that were received in time apart from the others; days
// before the first are sealed when something of them arrives.
func TestLateWhileHot(t *testing.T) {
	t.Parallel()
	s := openSealing(t, "heron-07")
	s.delay = 2 * time.Hour
	sendAll(t, s.Store, history("heron-07", 3, 5))
	now := sealFrom.AddDate(0, 0, 3).Add(s.delay)
	s.seal(t, now)
	late := func(at, received time.Time, value float64) Delivery {
		return Delivery{Property: "heron-07", Gateway: "main", Received: received, Readings: []Reading{{Point: "north-bay", Quantity: site.RH, At: at, Value: value}}}
	}
	first := sealFrom.Add(5 * time.Minute)
	record(t, s.Store, late(first, sealFrom.Add(time.Hour), 50), late(first.Add(time.Second), now, 51), late(sealFrom.Add(-30*time.Hour), now, 52))
	evaluateAll(t, s.Store, time.Now())
	got := s.seal(t, now.Add(time.Minute))
	if got.Days != 2 || got.Amendments != 2 {
		t.Errorf("sealed %+v, want two days before the first, and two amendments", got)
	}
	s.whole(t)
	b, err := s.EvidenceBundle(t.Context(), AllProperties, "heron-07", site.DateOf(sealFrom).AddDays(-2), site.DateOf(sealFrom).AddDays(2))
	if err != nil {
		t.Fatal(err)
	}
	v := verifiedBundle(t, s, b)
	var kinds []string
	for _, d := range v.Days {
		kinds = append(kinds, fmt.Sprintf("%s/%d/%t/%d", d.Date, d.Amendment, d.Unwitnessed, min(d.Count(), 2)))
	}
	want := []string{"2026-03-04/0/false/1", "2026-03-05/0/false/0", "2026-03-06/0/false/2", "2026-03-06/1/false/1", "2026-03-06/2/true/1", "2026-03-07/0/false/2", "2026-03-08/0/false/2"}
	if diff := cmp.Diff(want, kinds); diff != "" {
		t.Error(diff)
	}
}

// TestLateJournalIsAmended: changes of alarms that are written under the time of
// a sealed day get into an unwitnessed amendment, once, whoever made them; what
// was told already is not told again.
func TestLateJournalIsAmended(t *testing.T) {
	t.Parallel()
	s := openSealing(t, "heron-07")
	sendAll(t, s.Store, history("heron-07", 3, 11))
	write := func(kind, actor string, at time.Time) {
		t.Helper()
		mustExec(t, s.Store, `INSERT INTO alarm_journal (property_id, alarm_no, at, kind, actor, alarm) SELECT property_id, 1, $1, $2, $3,
			'{"condition": "humidity-high", "point": "north-bay", "priority": "medium", "raised_at": "2026-03-06T12:00:00Z", "known_at": "2026-03-06T12:00:00Z"}'
			FROM property`, at, kind, actor)
	}
	mustExec(t, s.Store, `INSERT INTO alarm (property_id, alarm_no, condition, point, priority, raised_at, known_at, changed_at)
		SELECT property_id, 1, 'humidity-high', 'north-bay', 2, '2026-03-06 12:00+00', '2026-03-06 12:00+00', '2026-03-06 12:00+00' FROM property`)
	first := sealFrom.Add(12 * time.Hour)
	write("raised", evaluatorActor, first)
	now := sealFrom.AddDate(0, 0, 3).Add(s.delay)
	s.seal(t, now)
	write("escalated", evaluatorActor, first.Add(time.Hour))
	write("acknowledged", "mira", first.Add(2*time.Hour))
	if got := s.seal(t, now); got.Amendments != 0 {
		t.Fatalf("amended %+v before anybody said so", got)
	}
	queueLate := func(at time.Time) {
		t.Helper()
		p, _ := s.Registry().Property("heron-07")
		var q pgx.Batch
		queueLateEntries(&q, []journalEntry{{num: p.Num, at: at.Add(time.Hour)}, {num: p.Num, at: at}}, now)
		if err := s.evaluation.SendBatch(t.Context(), &q).Close(); err != nil {
			t.Fatal(err)
		}
	}
	queueLate(first.Add(time.Hour))
	if got := s.seal(t, now); got.Amendments != 1 {
		t.Errorf("amended %+v, want one", got)
	}
	queueLate(first)
	if got := s.seal(t, now); got.Amendments != 0 {
		t.Errorf("amended %+v again", got)
	}
	s.whole(t)
	day := site.DateOf(first.In(newYork))
	b, err := s.EvidenceBundle(t.Context(), AllProperties, "heron-07", day, day)
	if err != nil {
		t.Fatal(err)
	}
	var told []string
	for _, d := range verifiedBundle(t, s, b).Days {
		for _, e := range d.Journal {
			told = append(told, fmt.Sprintf("%d %t %s", d.Amendment, d.Unwitnessed, e.Kind))
		}
	}
	if diff := cmp.Diff([]string{"0 false raised", "1 true escalated", "1 true acknowledged"}, told); diff != "" {
		t.Error(diff)
	}
}

// TestEvaluatorBehindTellsSealing: what an evaluator finds whose clock is behind,
// so that its day is sealed already, gets into an amendment.
func TestEvaluatorBehindTellsSealing(t *testing.T) {
	t.Parallel()
	s := openSealing(t, "heron-07")
	sendAll(t, s.Store, history("heron-07", 2, 13))
	now := sealFrom.AddDate(0, 0, 6)
	s.seal(t, now)
	evaluateAll(t, s.Store, sealFrom.AddDate(0, 0, 3).Add(time.Hour)) // the gateway is silent
	entries := count(t, s.Store, `SELECT count(*) FROM alarm_journal j WHERE EXISTS (SELECT FROM sealed_day d WHERE j.at >= d.from_at AND j.at < d.to_at)`)
	if entries == 0 {
		t.Fatal("no change of an alarm is of a sealed day")
	}
	if got := s.seal(t, now); got.Amendments != 1 {
		t.Errorf("sealed %+v, want one amendment", got)
	}
	var frame []byte
	if err := s.owner.QueryRow(t.Context(), `SELECT frame FROM sealed_day WHERE amendment > 0`).Scan(&frame); err != nil {
		t.Fatal(err)
	}
	d, err := evidence.UnpackFrame(frame)
	if err != nil || len(d.Journal) != entries || !d.Unwitnessed {
		t.Errorf("the amendment tells %d of %d changes, %v", len(d.Journal), entries, err)
	}
	s.whole(t)
}

// TestLongBacklogIsSealedInOneRun: more days than are read of a property at once.
func TestLongBacklogIsSealedInOneRun(t *testing.T) {
	t.Parallel()
	s := openSealing(t, "heron-07")
	sendAll(t, s.Store, history("heron-07", 1, 12))
	const days = maxJobDays + 5
	if got := s.seal(t, sealFrom.AddDate(0, 0, days).Add(s.delay)); got.Days != days {
		t.Errorf("sealed %+v, want %d days", got, days)
	}
	s.whole(t)
}

var errFault = errors.New("fault")

// TestFailureTable: each write of a run fails as if it had not been applied, and
// as if it had been and nobody heard of it. The next run makes up for it, the
// log verifies as a whole, and it says the same as one that was never disturbed.
func TestFailureTable(t *testing.T) {
	t.Parallel()
	steps := []string{"discard-staged", "stage", "swap", "keep", "publish", "discard"}
	run := func(t *testing.T, step string, applied bool) (log string, tripped bool) {
		s := openSealing(t, "heron-07", "egret-03")
		sendAll(t, s.Store, history("heron-07", 4, 6))
		sendAll(t, s.Store, history("egret-03", 4, 7))
		now := sealFrom.AddDate(0, 0, 3).Add(s.delay)
		s.seal(t, sealFrom.AddDate(0, 0, 1).Add(s.delay))
		record(t, s.Store, Delivery{Property: "heron-07", Gateway: "main", Received: now,
			Readings: []Reading{{Point: "north-bay", Quantity: site.RH, At: sealFrom.Add(time.Minute), Value: 50}}})
		evaluateAll(t, s.Store, time.Now())
		s.sealFault = func(at string, after bool) error {
			if at == step && after == applied && !tripped {
				tripped = true
				return errFault
			}
			return nil
		}
		if _, err := s.Seal(t.Context(), s.options(), now); step != "" && !errors.Is(err, errFault) {
			t.Fatalf("the run ended with %v", err)
		}
		s.whole(t) // whatever was done so far
		s.seal(t, now)
		if n := s.whole(t); n == 0 {
			t.Fatal("nothing is sealed")
		}
		if n := count(t, s.Store, `SELECT (SELECT count(*) FROM sealed_day WHERE leaf_no IS NULL) + (SELECT count(*) FROM seal_due)
			+ (SELECT count(*) FROM log_checkpoint WHERE NOT published AND size = (SELECT size FROM log_head))`); n != 0 {
			t.Errorf("%d rows are left over", n)
		}
		return dump(t, s.Store, `SELECT p.name, d.day, d.amendment, d.leaf_no, d.leaf_sha256 FROM sealed_day d JOIN property p USING (property_id) ORDER BY 4`), tripped
	}
	undisturbed, _ := run(t, "", false)
	for _, step := range steps {
		for _, applied := range []bool{false, true} {
			t.Run(fmt.Sprintf("%s, applied %t", step, applied), func(t *testing.T) {
				t.Parallel()
				log, tripped := run(t, step, applied)
				if !tripped {
					t.Fatal("the step was never reached")
				}
				if diff := cmp.Diff(undisturbed, log); diff != "" {
					t.Errorf("the log differs:\n%s", diff)
				}
			})
		}
	}
}

// TestRestoredDatabase: a database that is older than what was promised is
// refused, and so is a log of which anything was changed.
func TestRestoredDatabase(t *testing.T) {
	t.Parallel()
	s := openSealing(t, "heron-07")
	sendAll(t, s.Store, history("heron-07", 4, 8))
	s.seal(t, sealFrom.AddDate(0, 0, 2).Add(s.delay))
	old := map[string]string{}
	for _, table := range []string{"sealed_day", "sealed_block", "log_head", "log_tile", "log_note", "log_checkpoint"} {
		old[table] = "saved_" + table
		mustExec(t, s.Store, `CREATE TABLE saved_`+table+` AS SELECT * FROM `+table)
	}
	s.seal(t, sealFrom.AddDate(0, 0, 3).Add(s.delay))
	s.whole(t)
	for table, saved := range old {
		mustExec(t, s.Store, `DELETE FROM `+table)
		mustExec(t, s.Store, `INSERT INTO `+table+` SELECT * FROM `+saved)
	}
	if _, err := s.VerifyLog(t.Context(), s.keys, false); !errors.Is(err, ErrLog) {
		t.Errorf("a restored database verifies: %v", err)
	}
	if _, err := s.Seal(t.Context(), s.options(), sealFrom.AddDate(0, 0, 4).Add(s.delay)); !errors.Is(err, ErrLog) {
		t.Errorf("a restored database is sealed on: %v", err)
	}
}

func mustExec(t *testing.T, s *Store, sql string, args ...any) {
	t.Helper()
	if _, err := s.owner.Exec(t.Context(), sql, args...); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
}

// TestChangedLogIsRefused changes one thing at a time and undoes it.
func TestChangedLogIsRefused(t *testing.T) {
	t.Parallel()
	s := openSealing(t, "heron-07")
	sendAll(t, s.Store, history("heron-07", 3, 9))
	s.seal(t, sealFrom.AddDate(0, 0, 3).Add(s.delay))
	s.whole(t)
	for name, c := range map[string][2]string{
		"a tile":        {`UPDATE log_tile SET hashes = set_byte(hashes, 40, get_byte(hashes, 40) # 1)`, `UPDATE log_tile SET hashes = set_byte(hashes, 40, get_byte(hashes, 40) # 1)`},
		"the head":      {`UPDATE log_head SET root = set_byte(root, 0, get_byte(root, 0) # 1)`, `UPDATE log_head SET root = set_byte(root, 0, get_byte(root, 0) # 1)`},
		"the size":      {`UPDATE log_head SET size = size - 1`, `UPDATE log_head SET size = size + 1`},
		"a record":      {`UPDATE sealed_day SET leaf_no = 77 WHERE leaf_no = 2`, `UPDATE sealed_day SET leaf_no = 2 WHERE leaf_no = 77`},
		"a frame":       {`UPDATE sealed_day SET frame = set_byte(frame, 60, get_byte(frame, 60) # 1) WHERE leaf_no = 2`, `UPDATE sealed_day SET frame = set_byte(frame, 60, get_byte(frame, 60) # 1) WHERE leaf_no = 2`},
		"a reading":     {`UPDATE sealed_block SET data = set_byte(data, 30, get_byte(data, 30) # 1) WHERE point = 'north-bay'`, `UPDATE sealed_block SET data = set_byte(data, 30, get_byte(data, 30) # 1) WHERE point = 'north-bay'`},
		"a key":         {`UPDATE log_note SET text = replace(text, 'end', 'End')`, `UPDATE log_note SET text = replace(text, 'End', 'end')`},
		"the signature": {`UPDATE log_checkpoint SET signed = set_byte(signed, length(signed) - 9, get_byte(signed, length(signed) - 9) # 1)`, `UPDATE log_checkpoint SET signed = set_byte(signed, length(signed) - 9, get_byte(signed, length(signed) - 9) # 1)`},
	} {
		mustExec(t, s.Store, c[0])
		if _, err := s.VerifyLog(t.Context(), s.keys, true); !errors.Is(err, ErrLog) {
			t.Errorf("%s changed: %v", name, err)
		}
		mustExec(t, s.Store, c[1])
	}
	s.whole(t)
}

// TestRotation: during the overlap both keys sign, the log names both, and who
// has only the old one can follow; afterwards the new one alone.
func TestRotation(t *testing.T) {
	t.Parallel()
	s := openSealing(t, "heron-07")
	sendAll(t, s.Store, history("heron-07", 6, 10))
	first := s.keys.Public(sealFrom)
	s.seal(t, sealFrom.AddDate(0, 0, 1).Add(s.delay))
	until := sealFrom.AddDate(0, 0, 3)
	if err := s.keys.Rotate(until); err != nil {
		t.Fatal(err)
	}
	info, err := os.Stat(filepath.Join(s.keys.folder, keyFile))
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the keys' file is %v, %v", info.Mode(), err)
	}
	if s.keys, err = OpenKeyring(s.keys.folder); err != nil {
		t.Fatal(err)
	}
	signedBy := func(now time.Time, public string) bool {
		s.seal(t, now)
		signed, err := s.PublishedCheckpoint(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		keys, err := evidence.ParseKeys(public)
		if err != nil {
			t.Fatal(err)
		}
		_, err = evidence.OpenCheckpoint(signed, keys)
		return err == nil
	}
	second := s.keys.Public(until)[0]
	during, after := sealFrom.AddDate(0, 0, 2).Add(s.delay), sealFrom.AddDate(0, 0, 4).Add(s.delay)
	if !signedBy(during, first[0]) || !signedBy(during, second) {
		t.Error("during the overlap a key does not sign")
	}
	if signedBy(after, first[0]) || !signedBy(after, second) {
		t.Error("after the overlap the old key signs, or the new one does not")
	}
	public, err := s.EvidenceKeys(t.Context())
	if err != nil || !slices.Equal(public, []string{second, first[0]}) {
		t.Errorf("the log names %v, %v", public, err)
	}
	s.whole(t)
}

// TestPersonsAreHashed: names of persons and what they wrote are in no record.
func TestPersonsAreHashed(t *testing.T) {
	t.Parallel()
	s := openSealing(t, "heron-07")
	wet := history("heron-07", 2, 11)
	for i := range wet {
		for k := range wet[i].Readings {
			if wet[i].Readings[k].Quantity == site.RH {
				wet[i].Readings[k].Value = 85
			}
		}
	}
	sendAll(t, s.Store, wet)
	evaluateAll(t, s.Store, time.Now())
	alarms, _, err := s.Alarms(t.Context(), AlarmQuery{Scope: AllProperties, Now: time.Now()})
	if err != nil || len(alarms) == 0 {
		t.Fatal(alarms, err)
	}
	mustExec(t, s.Store, `INSERT INTO alarm_journal (property_id, alarm_no, at, kind, actor, why, alarm)
		SELECT property_id, alarm_no, $1, 'acknowledged', 'R. Okafor', 'told my neighbour Ines', alarm FROM alarm_journal LIMIT 1`, sealFrom.Add(30*time.Hour))
	s.seal(t, sealFrom.AddDate(0, 0, 2).Add(s.delay))
	b, err := s.EvidenceBundle(t.Context(), AllProperties, "heron-07", site.DateOf(sealFrom), site.DateOf(sealFrom).AddDays(1))
	if err != nil {
		t.Fatal(err)
	}
	text := b.Records[1].Text
	if bytes.Contains(text, []byte("Okafor")) || bytes.Contains(text, []byte("Ines")) || !bytes.Contains(text, []byte(" by person:")) || !bytes.Contains(text, []byte(" why sha256:")) {
		t.Errorf("the record is\n%.3000s", text)
	}
	v := verifiedBundle(t, s, b)
	if e := v.Days[1].Journal; len(e) != 1 || e[0].Kind != "acknowledged" {
		t.Errorf("journal %+v", e)
	}
}

// TestSectionsOfVisits: a sensor check and a pump test are sealed with the day
// on which they were recorded, and a withdrawal with its own; no names.
func TestSectionsOfVisits(t *testing.T) {
	t.Parallel()
	s := openSealing(t, "heron-07")
	sendAll(t, s.Store, history("heron-07", 3, 12))
	mustExec(t, s.Store, `INSERT INTO sensor_check (property_id, check_no, at, recorded_at, recorded_by, point, salt, temp_c, read_pct, expected_pct,
			salt_limit_pct, accuracy_pct, tolerance_pct, within, offset_pct, offset_standard_pct, withdrawn_at, withdrawn_by, withdrawn_why)
		SELECT property_id, 1, $1, $1, 'R. Okafor', 'north-bay', 'NaCl', 20, 74.1, 75.47, 0.14, 2, 2.5, true, -1.37, 0.5, $2, 'R. Okafor', 'wrong jar' FROM property`,
		sealFrom.Add(10*time.Hour), sealFrom.Add(30*time.Hour))
	mustExec(t, s.Store, `INSERT INTO pump_test (property_id, test_no, at, recorded_at, recorded_by, pump, method, ran, poured_l, draw_down_s)
		SELECT property_id, 1, $1, $1, 'R. Okafor', 'primary', 'bucket', true, 38, 12.5 FROM property`, sealFrom.Add(11*time.Hour))
	s.seal(t, sealFrom.AddDate(0, 0, 2).Add(s.delay))
	b, err := s.EvidenceBundle(t.Context(), AllProperties, "heron-07", site.DateOf(sealFrom), site.DateOf(sealFrom).AddDays(1))
	if err != nil {
		t.Fatal(err)
	}
	v := verifiedBundle(t, s, b)
	want := []evidence.Section{
		{Name: "pump-tests", Lines: []string{"2026-03-06T16:00:00Z test 1 at 2026-03-06T16:00:00Z pump primary method bucket ran true poured 38 L draw-down 12.5 s"}},
		{Name: "sensor-checks", Lines: []string{"2026-03-06T15:00:00Z check 1 at 2026-03-06T15:00:00Z point north-bay salt NaCl temp 20 Cel read 74.1 %RH expected 75.47 %RH offset -1.37 standard-uncertainty 0.5"}},
		{Name: "verdict-sensor-checks", Lines: []string{`{"id":"heron-07.c1","at":"2026-03-06T15:00:00Z","recorded_at":"2026-03-06T15:00:00Z","point":"north-bay","salt":"NaCl","temp_c":20,"read_pct":74.1,"expected_pct":75.47,"offset_pct":-1.37,"offset_standard_pct":0.5}`}},
	}
	if diff := cmp.Diff(want, v.Days[0].Sections); diff != "" {
		t.Error(diff)
	}
	want = []evidence.Section{{Name: "sensor-checks", Lines: []string{"2026-03-07T11:00:00Z check 1 withdrawn"}},
		{Name: "verdict-sensor-checks", Lines: []string{`{"id":"heron-07.c1","withdrawn":"2026-03-07T11:00:00Z"}`}}}
	if diff := cmp.Diff(want, v.Days[1].Sections); diff != "" {
		t.Error(diff)
	}
}

// TestSealingGivesWay to ingest that is at it for more than half of the time.
func TestSealingGivesWay(t *testing.T) {
	t.Parallel()
	const took = time.Second
	for busy, want := range map[time.Duration]time.Duration{
		0: 0, took / 20: 0, took / 2: 0, took * 3 / 4: 6 * took, took: 12 * took, 5 * took: 12 * took,
	} {
		if got := givesWay(took, busy); got != want {
			t.Errorf("with ingest at it for %s of %s it rests for %s, want %s", busy, took, got, want)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := pause(ctx, time.Hour); !errors.Is(err, context.Canceled) {
		t.Errorf("a rest is not cut short: %v", err)
	}
}
