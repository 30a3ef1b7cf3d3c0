package store

import (
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"

	"underkeep/store/evidence"
	"underkeep/store/site"
)

const benchedPoints = 6

// benchedHouse has six air points of 5 min.
func benchedHouse(id string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "property: %s\nname: %s\ntimezone: America/New_York\ninstalled: 2024-03-02\npoints:\n", id, id)
	for p := range benchedPoints {
		fmt.Fprintf(&b, "  - {id: bay-%d, measures: [rh, air-temp], every: 5m}\n", p)
	}
	return b.String()
}

// benchedDay records what a house sends in a day: RH and temperature to a
// hundredth, with the noise of a good sensor (0.05 %RH, 0.02 °C), received up to
// a second and a half later, each point by itself.
func benchedDay(b *testing.B, s *Store, r *rand.Rand, id string, from time.Time) {
	var batch []Delivery
	for i := range 288 {
		for p := range benchedPoints {
			at := from.Add(time.Duration(i)*5*time.Minute + time.Duration(p)*7*time.Second)
			cycle := math.Sin(float64(i) / 288 * 2 * math.Pi)
			rh := math.Round((52+2*cycle+float64(p)+r.NormFloat64()*0.05)*100) / 100
			temp := math.Round((18-cycle+r.NormFloat64()*0.02)*100) / 100
			point := fmt.Sprintf("bay-%d", p)
			batch = append(batch, Delivery{Property: id, Gateway: "main", Received: at.Add(time.Duration(200+r.IntN(1300)) * time.Millisecond),
				Readings: []Reading{{Point: point, Quantity: site.RH, At: at, Value: rh}, {Point: point, Quantity: site.AirTemp, At: at, Value: temp}}})
		}
	}
	if got := record(b, s, batch...); got.Stored != got.Total() {
		b.Fatal(got)
	}
}

// processor is the processor time that this process took.
func processor() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		panic(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// BenchmarkSealedYear seals a year of one house (1.26 million readings; -short:
// a month) and
// compares it with its raw rows in the same run: bytes a sample (time, RH,
// temperature, time of receipt), a year of one point into Go, and the bundle.
func BenchmarkSealedYear(b *testing.B) {
	days := 365
	if testing.Short() {
		days = 60
	}
	s := openTest(b)
	register(b, s, benchedHouse("heron-07"))
	if _, err := s.AddGateway(b.Context(), "heron-07", "main", "test"); err != nil {
		b.Fatal(err)
	}
	keys, err := CreateKeyring(filepath.Join(b.TempDir(), "evidence"), "example.org/log")
	if err != nil {
		b.Fatal(err)
	}
	r := rand.New(rand.NewPCG(1, 2))
	from := time.Date(2025, 3, 2, 0, 0, 0, 0, newYork)
	for i := range days {
		benchedDay(b, s, r, "heron-07", from.Add(time.Duration(i)*24*time.Hour))
	}
	to := from.Add(time.Duration(days) * 24 * time.Hour)
	began := time.Now()
	out, err := s.Seal(b.Context(), SealOptions{Keys: keys, Delay: time.Hour, Workers: 2}, to.Add(2*time.Hour))
	if err != nil || out.Days < days-1 {
		b.Fatal(out, err)
	}
	b.Logf("sealed %d readings in %s", out.Readings, time.Since(began))
	samples := days * 288 * benchedPoints
	size := func(sql string) float64 { return float64(count(b, s, sql)) / float64(samples) }
	raw := size(`SELECT sum(pg_total_relation_size(inhrelid)) FROM pg_inherits WHERE inhparent = 'readings'::regclass`)
	sealed := size(`SELECT pg_total_relation_size('sealed_day') + pg_total_relation_size('sealed_block')`)
	b.Logf("bytes a sample: raw %.1f, sealed %.2f, %.0f times smaller", raw, sealed, raw/sealed)

	benchRead(b, s, from, to)
	benchBundle(b, s, keys, from, days)
}

// benchRead takes all of one point into Go from raw rows and from sealed days,
// turn by turn: both quantities reading by reading, as columns with times of
// receipt, and RH in hours. Postgres' own part is left out, which favours raw
// rows.
func benchRead(b *testing.B, s *Store, from, to time.Time) {
	quantities := []site.Quantity{site.RH, site.AirTemp}
	rows := func() {
		for _, q := range quantities {
			if _, err := s.Readings(b.Context(), ReadingQuery{Property: "heron-07", Point: "bay-1", Quantity: q, From: from, To: to}); err != nil {
				b.Fatal(err)
			}
		}
	}
	columns := func() {
		got, err := s.Columns(b.Context(), ColumnQuery{Property: "heron-07", Point: "bay-1", Quantities: quantities, From: from, To: to, Receipts: true})
		if err != nil || len(got[0]) == 0 || len(got[0][0].At) < 50*288 {
			b.Fatal(len(got), err)
		}
	}
	bare := func() {
		if _, err := s.Columns(b.Context(), ColumnQuery{Property: "heron-07", Point: "bay-1", Quantities: quantities, From: from, To: to}); err != nil {
			b.Fatal(err)
		}
	}
	hours := func() {
		if _, err := s.Buckets(b.Context(), ReadingQuery{Property: "heron-07", Point: "bay-1", Quantity: site.RH, From: from, To: to}, time.Hour); err != nil {
			b.Fatal(err)
		}
	}
	for name, read := range map[string]func(){"reading by reading": rows, "columns with receipts": columns, "columns": bare, "RH by the hour": hours} {
		var best [2]time.Duration
		for turn := range 12 {
			rawFrom := [2]int64{storableFrom, pgMicros(to)}[turn%2]
			s.rawRows.from, s.rawRows.read = rawFrom, time.Now().Add(time.Hour)
			runtime.GC()
			began := processor()
			read()
			if took := processor() - began; turn < 2 || took < best[turn%2] {
				best[turn%2] = took
			}
		}
		b.Logf("all of one point, %s: raw %s, sealed %s of this process, ratio %.1f", name, best[0], best[1], float64(best[0])/float64(best[1]))
	}
}

func benchBundle(b *testing.B, s *Store, keys *Keyring, from time.Time, days int) {
	first := site.DateOf(from)
	cpu, began := processor(), time.Now()
	bundle, err := s.EvidenceBundle(b.Context(), AllProperties, "heron-07", first, first.AddDays(days-1))
	if err != nil {
		b.Fatal(err)
	}
	data, err := evidence.BuildBundle(bundle)
	if err != nil {
		b.Fatal(err)
	}
	b.Logf("bundle: %.1f MB in %s, %s of the processor", float64(len(data))/1e6, time.Since(began), processor()-cpu)
	public, err := evidence.ParseKeys(strings.Join(keys.Public(time.Now()), "\n"))
	if err != nil {
		b.Fatal(err)
	}
	cpu, began = processor(), time.Now()
	opened, err := evidence.OpenBundle(data)
	if err != nil {
		b.Fatal(err)
	}
	v, err := evidence.VerifyLog(opened, public)
	if err != nil {
		b.Fatal(err)
	}
	b.Logf("verify: %d readings in %s, %s of the processor", v.Readings, time.Since(began), processor()-cpu)
}
