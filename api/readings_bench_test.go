package api

import (
	"context"
	"fmt"
	"log/slog"
	"math"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"runtime"
	"runtime/metrics"
	"slices"
	"testing"
	"time"

	"underkeep/store"
	"underkeep/store/localpg/pgtest"
	"underkeep/store/site"
)

// BenchmarkReadings measures what is asked of one point's readings, through
// handlers, row-level security and a token: a day as it was stored, a year by the
// hour, and a year as a file; once while all rows are raw and once as they lie
// after a year: three months raw, the rest sealed. peak-MB is the highest heap
// of the whole process meanwhile; compare a year's with a month's.
//
//	go test -run xxx -bench Readings ./api
func BenchmarkReadings(b *testing.B) {
	url := pgtest.New(b, migrateTemplate)
	st, err := store.Open(b.Context(), url, store.Options{Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(st.Close)
	now := time.Now().UTC().Truncate(24 * time.Hour)
	from := now.AddDate(-1, 0, 0)
	oneYear(b, st, from, now)
	secret, err := st.CreateToken(b.Context(), store.NewToken{Name: "bench", Role: store.RoleManager, By: "bench"})
	if err != nil {
		b.Fatal(err)
	}
	h := New(Options{Source: FromStore(st, nil), Now: func() time.Time { return now }})
	ask := func(path, accept string, w http.ResponseWriter) {
		r := httptest.NewRequest(http.MethodGet, "/v1/properties/heron-07/"+path, nil)
		r.Header.Set("Authorization", "Bearer "+secret)
		r.Header.Set("Accept", accept)
		h.ServeHTTP(w, r)
	}
	times := func(b *testing.B, path string) {
		measure(b, func() error {
			w := httptest.NewRecorder()
			if ask(path, "application/json", w); w.Code != http.StatusOK {
				return fmt.Errorf("%s: %d %s", path, w.Code, w.Body)
			}
			return nil
		})
	}
	stamp := func(t time.Time) string { return t.Format(time.RFC3339) }
	series := "series?point=bay&quantity=rh&step=1h&from=" + stamp(from)
	suite := func(b *testing.B) {
		b.Run("raw-day", func(b *testing.B) { times(b, "readings?point=bay&quantity=rh") })
		b.Run("year-by-hour", func(b *testing.B) { times(b, series) })
		for _, kind := range []string{"text/csv", ndjson} {
			b.Run("month-as-"+filepath.Base(kind), func(b *testing.B) {
				exported(b, func(w http.ResponseWriter) {
					ask("readings?point=bay&quantity=rh&from="+stamp(from)+"&to="+stamp(from.AddDate(0, 1, 0)), kind, w)
				})
			})
			b.Run("year-as-"+filepath.Base(kind), func(b *testing.B) {
				exported(b, func(w http.ResponseWriter) { ask("readings?point=bay&quantity=rh&from="+stamp(from), kind, w) })
			})
		}
	}
	b.Run("all-raw", suite)
	keys, err := store.CreateKeyring(filepath.Join(b.TempDir(), "evidence"), "example.org/log")
	if err != nil {
		b.Fatal(err)
	}
	out, err := st.Seal(b.Context(), store.SealOptions{Keys: keys, Delay: time.Hour, HotWindow: store.DefaultHotWindow, Workers: 2}, now)
	if err != nil || out.Days < 360 {
		b.Fatal(out, err)
	}
	fresh, err := store.Open(b.Context(), url, store.Options{Log: slog.New(slog.DiscardHandler)}) // it asks anew from when on rows are raw
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(fresh.Close)
	h = New(Options{Source: FromStore(fresh, nil), Now: func() time.Time { return now }})
	b.Run("mostly-sealed", suite)
}

// oneYear records what one point sends every five minutes.
func oneYear(b *testing.B, st *store.Store, from, to time.Time) {
	b.Helper()
	file := []byte("property: heron-07\nname: 7 Heron Lane\ntimezone: America/New_York\ninstalled: 2020-03-02\npoints:\n  - {id: bay, measures: [rh, air-temp], every: 5m}\n")
	if _, err := st.RegisterFile(b.Context(), file, "heron-07.yaml", "bench"); err != nil {
		b.Fatal(err)
	}
	if _, err := st.AddGateway(b.Context(), "heron-07", "main", "bench"); err != nil {
		b.Fatal(err)
	}
	for day := from; day.Before(to); day = day.AddDate(0, 0, 1) {
		var batch []store.Delivery
		for i := range 288 {
			at := day.Add(time.Duration(i) * 5 * time.Minute)
			cycle := math.Sin(float64(i) / 288 * 2 * math.Pi)
			batch = append(batch, store.Delivery{Property: "heron-07", Gateway: "main", Received: at.Add(700 * time.Millisecond), Readings: []store.Reading{
				{Point: "bay", Quantity: site.RH, At: at, Value: math.Round((52+2*cycle)*100+float64(i%7)) / 100},
				{Point: "bay", Quantity: site.AirTemp, At: at, Value: math.Round((18-cycle)*100) / 100}}})
		}
		if _, err := st.Record(b.Context(), batch); err != nil {
			b.Fatal(err)
		}
	}
}

// discard takes a body and counts its lines.
type discard struct {
	header http.Header
	lines  int
	code   int
}

func (d *discard) Header() http.Header { return d.header }
func (d *discard) WriteHeader(c int)   { d.code = c }
func (d *discard) Write(p []byte) (int, error) {
	for _, c := range p {
		if c == '\n' {
			d.lines++
		}
	}
	return len(p), nil
}

func exported(b *testing.B, ask func(http.ResponseWriter)) {
	b.Helper()
	peak, stop := watchHeap(b.Context())
	rows := 0
	var spent time.Duration
	for b.Loop() {
		d := &discard{header: http.Header{}, code: http.StatusOK}
		began := time.Now()
		ask(d)
		spent += time.Since(began)
		if d.code != http.StatusOK || d.lines < 8000 {
			b.Fatalf("status %d, %d lines", d.code, d.lines)
		}
		rows += d.lines
	}
	stop()
	b.ReportMetric(float64(rows)/spent.Seconds(), "readings/s")
	b.ReportMetric(float64(slices.Max(*peak))/1e6, "peak-MB")
}

// watchHeap notes the bytes of the heap until stop is called.
func watchHeap(ctx context.Context) (*[]uint64, func()) {
	runtime.GC()
	ctx, cancel := context.WithCancel(ctx)
	seen, done := &[]uint64{0}, make(chan struct{})
	go func() {
		defer close(done)
		sample := []metrics.Sample{{Name: "/memory/classes/heap/objects:bytes"}}
		for ctx.Err() == nil {
			metrics.Read(sample)
			*seen = append(*seen, sample[0].Value.Uint64())
			select {
			case <-ctx.Done():
			case <-time.After(2 * time.Millisecond):
			}
		}
	}()
	return seen, func() { cancel(); <-done }
}
