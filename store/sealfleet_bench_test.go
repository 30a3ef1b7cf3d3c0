package store

import (
	"context"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/store/site"
)

var sealHouses = flag.Int("seal.houses", 1000, "houses whose day BenchmarkSealFleetDay seals")

// benchedFleet registers houses of six air points, and gives each a gateway
// without a password of its own: a thousand password hashes are not the matter.
func benchedFleet(b *testing.B, s *Store, houses int) {
	b.Helper()
	const some = 100
	for first := 0; first < houses; first += some {
		var file strings.Builder
		for i := first; i < min(first+some, houses); i++ {
			file.WriteString("---\n" + benchedHouse(fmt.Sprintf("house-%d", i)))
		}
		if _, err := s.RegisterFile(b.Context(), []byte(file.String()), "fleet.yaml", "test"); err != nil {
			b.Fatal(err)
		}
	}
	fleetSQL(b, s, `INSERT INTO gateway (property_id, gateway_id, name, secret_sha256, added_by) SELECT property_id, 0, 'main', sha256('x'), 'test' FROM property`)
	fleetSQL(b, s, `UPDATE property SET revision = revision + 1`)
	if err := s.RefreshRegistry(b.Context()); err != nil {
		b.Fatal(err)
	}
}

func fleetSQL(b *testing.B, s *Store, sql string, args ...any) {
	b.Helper()
	err := withTx(b.Context(), s.owner, pgx.TxOptions{}, func(tx pgx.Tx) error {
		if _, err := tx.Exec(b.Context(), `SET LOCAL statement_timeout = 0`); err != nil {
			return err
		}
		_, err := tx.Exec(b.Context(), sql, args...)
		return err
	})
	if err != nil {
		b.Fatalf("%.60s: %v", sql, err)
	}
}

// benchedFleetDay puts a day of every house into the table in the order in which
// it would have come, so that the rows of a house lie far apart: RH and
// temperature to a hundredth every five minutes, with the noise of a good sensor,
// received up to a second and a half later.
func benchedFleetDay(b *testing.B, s *Store, from time.Time) {
	b.Helper()
	if err := s.ensureMonth(b.Context(), monthOf(from)); err != nil {
		b.Fatal(err)
	}
	fleetSQL(b, s, `INSERT INTO readings (property_id, series_id, gateway_id, at, value, received_at)
		SELECT p.property_id, s.series_id, 0, x.at,
			CASE WHEN s.quantity = $2 THEN round((52 + 2 * sin(x.i / 45.8) + s.series_id + 0.1 * (random() + random() - 1))::numeric, 2)::float8
				ELSE round((18 - sin(x.i / 45.8) + 0.04 * (random() + random() - 1))::numeric, 2)::float8 END,
			x.at + floor(200 + 1300 * abs(sin(hashint4(p.property_id * 300 + x.i)::float8 + hashtext(s.point)::float8))) * interval '1 millisecond'
		FROM generate_series(0, 287) g(k)
		CROSS JOIN property p JOIN series s USING (property_id)
		CROSS JOIN LATERAL (SELECT g.k, $1::timestamptz + g.k * interval '5 minutes' + (p.property_id % 300) * interval '1 second') x(i, at)
		ORDER BY g.k, p.property_id % 300, p.property_id`, from, int16(site.RH))
	fleetSQL(b, s, `ANALYZE readings`)
}

// backends is the processor time that the database's connections took so far.
func backends(b *testing.B, s *Store) time.Duration {
	b.Helper()
	var sum time.Duration
	for _, pid := range strings.Fields(dump(b, s, `SELECT pid FROM pg_stat_activity WHERE datname = current_database()`)) {
		stat, err := os.ReadFile(filepath.Join("/proc", pid, "stat"))
		if err != nil {
			continue // gone
		}
		f := strings.Fields(string(stat[strings.LastIndexByte(string(stat), ')')+1:]))
		for _, ticks := range f[11:13] {
			n, _ := strconv.Atoi(ticks)
			sum += time.Duration(n) * 10 * time.Millisecond
		}
	}
	return sum
}

// BenchmarkSealFleetDay seals one day of a thousand houses (-seal.houses) of 3,456
// readings each and reports how long 10,000 would take, and how much processor
// time, which other work on the machine does not stretch.
func BenchmarkSealFleetDay(b *testing.B) {
	s := openTest(b)
	benchedFleet(b, s, *sealHouses)
	from := time.Date(2025, 6, 2, 0, 0, 0, 0, newYork)
	benchedFleetDay(b, s, from)
	keys, err := CreateKeyring(filepath.Join(b.TempDir(), "evidence"), "example.org/log")
	if err != nil {
		b.Fatal(err)
	}
	cpu, theirs, began := processor(), backends(b, s), time.Now()
	b.ResetTimer()
	out, err := s.Seal(b.Context(), SealOptions{Keys: keys, Delay: time.Hour, Workers: 2}, from.AddDate(0, 0, 1).Add(2*time.Hour))
	if err != nil || out.Days != *sealHouses || out.Readings != *sealHouses*benchedPoints*2*288 {
		b.Fatal(out, err)
	}
	took, cpu, theirs := time.Since(began), processor()-cpu, backends(b, s)-theirs
	each := func(d time.Duration) time.Duration {
		return (d * 10_000 / time.Duration(out.Days)).Round(time.Millisecond)
	}
	b.Logf("%d days with %d readings in %s: 10,000 in %s; processor: ours %s, the database's %s for 10,000", out.Days, out.Readings, took, each(took), each(cpu), each(theirs))
}

// BenchmarkIngestWhileSealing holds the readings that Record stores in a time
// against those that it stores while a fleet's day is being sealed, turn by turn:
// as fast as it can, and at ten times the pace of 10,000 houses of six points of
// five minutes (4,000 readings a second), there with how long a call takes.
func BenchmarkIngestWhileSealing(b *testing.B) {
	const turns, length = 3, 4 * time.Second
	s, _ := openDurable(b, 0)
	benchedFleet(b, s, 400)
	from := time.Date(2025, 6, 2, 0, 0, 0, 0, newYork)
	benchedFleetDay(b, s, from)
	keys, err := CreateKeyring(filepath.Join(b.TempDir(), "evidence"), "example.org/log")
	if err != nil {
		b.Fatal(err)
	}
	o := SealOptions{Keys: keys, Delay: time.Hour, Workers: 2}
	// Cut off at the end of the turn, so that the day is there again.
	sealing := func(ctx context.Context) (days int) {
		out, err := s.Seal(ctx, o, from.AddDate(0, 0, 1).Add(2*time.Hour))
		if err == nil {
			b.Errorf("all of it was sealed within a turn: more houses are needed")
		}
		return out.Days
	}
	ids := make([]string, 400)
	for i := range ids {
		ids[i] = fmt.Sprintf("house-%d", i)
	}
	next := &fleetStream{ids: ids, at: testNow.Add(-400 * time.Hour)}
	for _, mode := range []struct {
		name  string
		packs int
		rest  time.Duration // between calls; 0: none
	}{{"as fast as it can", 400, 0}, {"4,000 readings a second", 33, 99 * time.Millisecond}} {
		var stored [2]int
		var calls [2][]time.Duration
		days := 0
		for turn := range 2 * turns {
			with := turn % 2
			ctx, cancel := context.WithTimeout(b.Context(), length)
			var wg sync.WaitGroup
			if with == 1 {
				wg.Go(func() { days += sealing(ctx) })
			}
			for due := time.Now(); ctx.Err() == nil; due = due.Add(mode.rest) {
				if mode.rest > 0 && pause(ctx, time.Until(due)) != nil {
					break
				}
				batch := next.batch(mode.packs)
				began := time.Now()
				stored[with] += record(b, s, batch...).Stored
				calls[with] = append(calls[with], time.Since(began))
			}
			cancel()
			wg.Wait()
		}
		median := func(d []time.Duration) time.Duration { slices.Sort(d); return d[len(d)/2] }
		b.Logf("%s: %.0f readings/s alone, %.0f while sealing, ratio %.3f; a call takes %s and %s; %d house-days packed meanwhile", mode.name, float64(stored[0])/(turns*length.Seconds()),
			float64(stored[1])/(turns*length.Seconds()), float64(stored[1])/float64(stored[0]), median(calls[0]), median(calls[1]), days)
	}
}

// fleetStream makes packs of twelve readings, house after house, five minutes
// later in each round.
type fleetStream struct {
	ids  []string
	next int
	at   time.Time
}

func (f *fleetStream) batch(packs int) []Delivery {
	out := make([]Delivery, packs)
	for i := range out {
		out[i] = Delivery{Property: f.ids[f.next], Gateway: "main", Received: testNow}
		for p := range benchedPoints {
			point := fmt.Sprintf("bay-%d", p)
			out[i].Readings = append(out[i].Readings, Reading{Point: point, Quantity: site.RH, At: f.at, Value: 52}, Reading{Point: point, Quantity: site.AirTemp, At: f.at, Value: 18})
		}
		if f.next++; f.next == len(f.ids) {
			f.next, f.at = 0, f.at.Add(time.Second)
		}
	}
	return out
}
