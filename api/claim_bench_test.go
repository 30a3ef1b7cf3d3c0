package api

import (
	"fmt"
	"log/slog"
	"math"
	"math/rand/v2"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"

	"underkeep/api/view"
	"underkeep/api/warranty"
	"underkeep/api/warranty/report"
	"underkeep/api/warranty/sealed"
	"underkeep/store"
	"underkeep/store/evidence"
	"underkeep/store/localpg/pgtest"
	"underkeep/store/site"
)

// claimedYear is a store with a sealed year of one house: six air points, RH and
// temperature every five minutes, 1.26 million readings, whose raw rows are gone.
func claimedYear(b *testing.B) (st *store.Store, keys evidence.Keys, from, to site.Date) {
	b.Helper()
	st, err := store.Open(b.Context(), pgtest.New(b, migrateTemplate), store.Options{Log: slog.New(slog.DiscardHandler), SealDelay: time.Hour})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(st.Close)
	var file strings.Builder
	file.WriteString("property: heron-07\nname: 7 Heron Lane\ntimezone: America/New_York\ninstalled: 2025-01-01\nwarranty: {terms: standard-60}\npoints:\n")
	for p := range 6 {
		fmt.Fprintf(&file, "  - {id: bay-%d, measures: [rh, air-temp], every: 5m, sensor: {serial: A%d, accuracy: {rh: 2 %%RH, air-temp: 0.3 C}}}\n", p, p)
	}
	if _, err := st.RegisterFile(b.Context(), []byte(file.String()), "heron-07.yaml", "test"); err != nil {
		b.Fatal(err)
	}
	if _, err := st.AddGateway(b.Context(), "heron-07", "main", "test"); err != nil {
		b.Fatal(err)
	}
	from, to = site.Date{Year: 2025, Month: 1, Day: 1}, site.Date{Year: 2026, Month: 1, Day: 1}
	zone, r := time.FixedZone("", -5*3600), rand.New(rand.NewPCG(1, 2))
	for day := from; day.Before(to); day = day.AddDays(1) {
		claimedDay(b, st, r, day.In(zone))
	}
	ring, err := store.CreateKeyring(filepath.Join(b.TempDir(), "evidence"), "example.org/log")
	if err != nil {
		b.Fatal(err)
	}
	now := to.In(zone).Add(3 * time.Hour)
	out, err := st.Seal(b.Context(), store.SealOptions{Keys: ring, Delay: time.Hour, Workers: 2, HotWindow: time.Hour}, now)
	if err != nil || out.Days != 365 {
		b.Fatal(out, err)
	}
	if keys, err = evidence.ParseKeys(strings.Join(ring.Public(now), "\n")); err != nil {
		b.Fatal(err)
	}
	return st, keys, from, to
}

// claimedDay is a day with the noise of a good sensor (0.05 %RH, 0.02 °C).
func claimedDay(b *testing.B, st *store.Store, r *rand.Rand, from time.Time) {
	b.Helper()
	var batch []store.Delivery
	for i := range 288 {
		for p := range 6 {
			at := from.Add(time.Duration(i)*5*time.Minute + time.Duration(p)*7*time.Second)
			cycle := math.Sin(float64(i) / 288 * 2 * math.Pi)
			rh := math.Round((52+2*cycle+float64(p)/2+r.NormFloat64()*0.05)*100) / 100
			temp := math.Round((18-cycle+r.NormFloat64()*0.02)*100) / 100
			point := fmt.Sprintf("bay-%d", p)
			batch = append(batch, store.Delivery{Property: "heron-07", Gateway: "main", Received: at.Add(time.Duration(200+r.IntN(1300)) * time.Millisecond),
				Readings: []store.Reading{{Point: point, Quantity: site.RH, At: at, Value: rh}, {Point: point, Quantity: site.AirTemp, At: at, Value: temp}}})
		}
	}
	if got, err := st.Record(b.Context(), batch); err != nil || got.Stored != got.Total() {
		b.Fatal(got, err)
	}
}

// ofThisProcess is the processor time that it took so far, on all cores, the
// collector's included; Postgres' is not in it.
func ofThisProcess(b *testing.B) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// BenchmarkClaimOfAYear takes a claim about a property-year through the service:
// verdict over the store, bundle with the verdict in it, verification of all of it
// offline, report. It prints the best of several turns, by the clock and by the
// processor, beside what each must come to on one core:
//
//	GOMAXPROCS=1 go test ./api -run xxx -bench ClaimOfAYear -benchtime 1x
func BenchmarkClaimOfAYear(b *testing.B) {
	st, keys, from, to := claimedYear(b)
	source := FromStore(st, func() time.Time { return to.In(time.UTC).Add(24 * time.Hour) })
	all := view.Scope{All: true}
	must := func(err error) {
		if err != nil {
			b.Fatal(err)
		}
	}
	var v warranty.Verdict
	var bundle, pdf []byte
	for _, step := range []struct {
		name  string
		most  time.Duration
		turns int
		run   func() int
	}{
		{"verdict over the store", 60 * time.Millisecond, 15, func() int {
			in, err := source.ConditionsInput(b.Context(), all, "heron-07", from, to)
			must(err)
			v, err = warranty.Judge(in)
			must(err)
			return v.Days
		}},
		{"bundle", time.Second, 4, func() int {
			var err error
			bundle, err = source.EvidenceBundle(b.Context(), all, "heron-07", from, to)
			must(err)
			return len(bundle)
		}},
		{"verify", time.Second, 4, func() int {
			opened, err := evidence.OpenBundle(bundle)
			must(err)
			proven, err := evidence.VerifyLog(opened, keys)
			must(err)
			says, err := sealed.Check(proven)
			must(err)
			if !strings.HasPrefix(says, string(v.Outcome)) {
				b.Fatalf("%q from the bundle, %s from the store", says, v.Outcome)
			}
			return proven.Readings
		}},
		{"report", time.Second, 4, func() int {
			var err error
			pdf, err = report.PDF(report.Input{Verdict: v, Name: "7 Heron Lane", Zone: time.UTC})
			must(err)
			return len(pdf)
		}},
	} {
		var clock, cpu time.Duration
		var size int
		for turn := range step.turns {
			runtime.GC()
			began, cpuBegan := time.Now(), ofThisProcess(b)
			size = step.run()
			took, cpuTook := time.Since(began), ofThisProcess(b)-cpuBegan
			if turn == 0 || took < clock {
				clock = took
			}
			if turn == 0 || cpuTook < cpu {
				cpu = cpuTook
			}
		}
		b.Logf("%s: %s, %s of the processor (must: %s); %d", step.name, clock.Round(10*time.Microsecond), cpu.Round(10*time.Microsecond), step.most, size)
	}
	b.Logf("%s; bundle of %.1f MB (must: 12)", v.Outcome, float64(len(bundle))/1e6)
}
