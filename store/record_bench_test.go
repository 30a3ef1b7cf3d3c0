package store

import (
	"bytes"
	"context"
	"fmt"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/store/localpg/pgtest"
	"underkeep/store/site"
)

// openDurable opens a migrated store on a cluster that syncs its commits, with
// n cottages.
func openDurable(b *testing.B, n int) (*Store, []string) {
	b.Helper()
	s := openURL(b, pgtest.Durable(b).URL())
	if err := s.Migrate(b.Context()); err != nil {
		b.Fatal(err)
	}
	ids := make([]string, n)
	for i := range ids {
		ids[i] = fmt.Sprintf("cottage-%d", i)
	}
	withCottages(b, s, ids...)
	return s, ids
}

// stream makes readings of a fleet without end, each with a key of its own.
type stream struct {
	ids  []string
	next int64
	from time.Time
}

var streamSeries = []struct {
	point    string
	quantity site.Quantity
}{{"north-bay", site.RH}, {"north-bay", site.AirTemp}, {"south-bay", site.RH}, {"south-bay", site.AirTemp}}

func (f *stream) reading() (property string, r Reading) {
	i := f.next
	f.next++
	series := streamSeries[i%4]
	return f.ids[(i/4)%int64(len(f.ids))], Reading{Point: series.point, Quantity: series.quantity,
		At: f.from.Add(time.Duration(i/4/int64(len(f.ids))) * time.Millisecond), Value: float64(i%1000) / 10}
}

// singles is a batch of n messages of one reading.
func (f *stream) singles(n int) []Delivery {
	out := make([]Delivery, n)
	for i := range out {
		id, r := f.reading()
		out[i] = Delivery{Property: id, Gateway: "main", Received: testNow, Readings: []Reading{r}}
	}
	return out
}

// packs is a batch of n messages of size readings.
func (f *stream) packs(n, size int) []Delivery {
	out := make([]Delivery, n)
	for i := range out {
		id := f.ids[i%len(f.ids)]
		out[i] = Delivery{Property: id, Gateway: "main", Received: testNow, Readings: make([]Reading, size)}
		for k := range out[i].Readings {
			series := streamSeries[k%4]
			out[i].Readings[k] = Reading{Point: series.point, Quantity: series.quantity,
				At: f.from.Add(time.Duration(f.next+int64(k/4)) * time.Millisecond), Value: float64(k) / 10}
		}
		f.next += int64(size)/4 + 1
	}
	return out
}

// newStream begins at an hour of its own, so that no two streams share a key.
func newStream(ids []string, hour int) *stream {
	return &stream{ids: ids, from: testNow.Add(time.Duration(hour-100) * time.Hour)}
}

// BenchmarkRecord compares Record with a bare CopyFrom of the same rows into
// the same table, in one run; must be at least 0.4 for packs.
func BenchmarkRecord(b *testing.B) {
	s, ids := openDurable(b, 50)
	packs, singles := newStream(ids, 0), newStream(ids, 1)
	shapes := []struct {
		name  string
		batch func() []Delivery
	}{
		{"packs of 100, 5000 a batch", func() []Delivery { return packs.packs(50, 100) }},
		{"singles, 5000 a batch", func() []Delivery { return singles.singles(5000) }},
		{"singles, 200 a batch", func() []Delivery { return singles.singles(200) }},
		{"singles, 1 a batch", func() []Delivery { return singles.singles(1) }},
	}
	for _, shape := range shapes {
		b.Run(shape.name, func(b *testing.B) { benchmarkRecord(b, s, shape.batch) })
	}
}

func benchmarkRecord(b *testing.B, s *Store, batch func() []Delivery) {
	var bare, ours time.Duration
	var rows int
	b.ReportAllocs()
	for b.Loop() {
		b.StopTimer()
		mine, theirs := batch(), batch()
		b.StartTimer()
		began := time.Now()
		got, err := s.Record(b.Context(), mine)
		ours += time.Since(began)
		if err != nil || got.Stored != got.Total() {
			b.Fatal(got, err)
		}
		rows += got.Stored
		b.StopTimer()
		bare += copyBare(b, s, theirs)
		b.StartTimer()
	}
	b.ReportMetric(float64(rows)/ours.Seconds(), "records/s")
	b.ReportMetric(float64(bare)/float64(ours), "of-bare-copy")
}

// copyBare writes the readings of deliveries with pgx's CopyFrom in one
// transaction, and nothing else.
func copyBare(b *testing.B, s *Store, deliveries []Delivery) time.Duration {
	var rows [][]any
	for i := range deliveries {
		d := &deliveries[i]
		p, _ := s.Registry().Property(d.Property)
		gateway, _ := p.Gateway(d.Gateway)
		for _, r := range d.Readings {
			series, _ := p.Series(r.Point, r.Quantity)
			rows = append(rows, []any{p.Num, series, gateway, r.At, r.Value, d.Received})
		}
	}
	began := time.Now()
	_, err := s.ingest.CopyFrom(b.Context(), pgx.Identifier{"readings"},
		[]string{"property_id", "series_id", "gateway_id", "at", "value", "received_at"}, pgx.CopyFromRows(rows))
	if err != nil {
		b.Fatal(err)
	}
	return time.Since(began)
}

// BenchmarkRecordWays compares the ways of writing a batch: a plain COPY, an
// insert from arrays, and a COPY into a temporary table that is then inserted.
func BenchmarkRecordWays(b *testing.B) {
	s, ids := openDurable(b, 50)
	f := newStream(ids, 0)
	ways := []struct {
		name  string
		write func(context.Context, pgx.Tx, *batch) error
	}{{"copy", s.copyRows}, {"unnest", s.insertRows}, {"staging", insertStaged}}
	for _, n := range []int{1, 10, 32, 100, 500, 5000} {
		for _, way := range ways {
			b.Run(fmt.Sprintf("%s of %d", way.name, n), func(b *testing.B) {
				var rows int
				for b.Loop() {
					var t batch
					if err := s.resolve(b.Context(), &t, f.singles(n)); err != nil {
						b.Fatal(err)
					}
					if _, err := s.attempt(b.Context(), &t, way.write); err != nil {
						b.Fatal(err)
					}
					rows += n
				}
				b.ReportMetric(float64(rows)/b.Elapsed().Seconds(), "records/s")
			})
		}
	}
}

// insertStaged is the way that Record does not take.
func insertStaged(ctx context.Context, tx pgx.Tx, b *batch) error {
	if _, err := tx.Exec(ctx, `CREATE TEMPORARY TABLE IF NOT EXISTS staging (LIKE readings) ON COMMIT DELETE ROWS`); err != nil {
		return err
	}
	b.buf = appendCopy(b.buf[:0], b.rows)
	sql := strings.Replace(copySQL, "COPY readings", "COPY staging", 1)
	if _, err := tx.Conn().PgConn().CopyFrom(ctx, bytes.NewReader(b.buf), sql); err != nil {
		return err
	}
	_, err := tx.Exec(ctx, `WITH new AS (
		INSERT INTO readings SELECT * FROM staging ON CONFLICT DO NOTHING RETURNING property_id, at, received_at)
		INSERT INTO due (property_id, earliest_at, received_at) SELECT property_id, min(at), min(received_at) FROM new GROUP BY property_id`)
	b.stored = len(b.rows)
	return err
}

// BenchmarkRecordRedelivery is a crowd of messages that are all there already.
func BenchmarkRecordRedelivery(b *testing.B) {
	s, ids := openDurable(b, 50)
	batch := newStream(ids, 0).singles(5000)
	if _, err := s.Record(b.Context(), batch); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if got, err := s.Record(b.Context(), batch); err != nil || got.Duplicate != 5000 {
			b.Fatal(got, err)
		}
	}
	b.ReportMetric(5000*float64(b.N)/b.Elapsed().Seconds(), "records/s")
}

// BenchmarkRecordTwoConnections has two batches on their way at once.
func BenchmarkRecordTwoConnections(b *testing.B) {
	s, ids := openDurable(b, 50)
	f := newStream(ids, 0)
	batches := make(chan []Delivery, 8)
	var rows atomic.Int64
	done := make(chan error, 2)
	for range 2 {
		go func() {
			for batch := range batches {
				got, err := s.Record(b.Context(), batch)
				if err != nil {
					done <- err
					return
				}
				rows.Add(int64(got.Stored))
			}
			done <- nil
		}()
	}
	for b.Loop() {
		batches <- f.singles(5000)
	}
	close(batches)
	for range 2 {
		if err := <-done; err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(rows.Load())/b.Elapsed().Seconds(), "records/s")
}
