package ingest

import (
	"bytes"
	"sync"
	"syscall"
	"testing"
	"time"

	"underkeep/alerting/simulate"
	"underkeep/store"
	"underkeep/store/localpg/pgtest"
	"underkeep/store/site"
)

// recordedYear is one simulated property-year as a recording: six indoor points
// of humidity and temperature and one outdoors, every five minutes, beside pump,
// power, mains, leak and duct. each is how long the gateway gathers readings
// before it sends a pack; 0 sends every sample at once.
func recordedYear(each time.Duration) (site.Property, []byte) {
	from := time.Date(2013, 1, 2, 0, 0, 0, 0, time.UTC)
	c := simulate.Cottage{ID: "bench-1", Name: "1 Bench", Installed: from.AddDate(0, -2, 0), AirPoints: 6, Duct: true, Mains: true, Leak: true}
	p := c.Property()
	s := simulate.NewSpace(simulate.Config{Property: p, From: from, Comms: simulate.Comms{PackEvery: each}}, 7)
	var out bytes.Buffer
	w := simulate.NewRecorder(&out)
	s.Advance(from.AddDate(1, 0, 0), func(m simulate.Message) { _ = w.Write(m) })
	if err := w.Flush(); err != nil {
		panic(err)
	}
	return p, out.Bytes()
}

type year struct {
	property  site.Property
	recording []byte
}

var years = map[string]func() year{
	"packs":  sync.OnceValue(func() year { p, r := recordedYear(5 * time.Minute); return year{p, r} }),
	"single": sync.OnceValue(func() year { p, r := recordedYear(0); return year{p, r} }),
}

// BenchmarkRehearseYear is a property-year through parsing, checking and the
// evaluator, as the command does it: in packs every five minutes (105,000
// messages), and with a message for every sample of every point (527,000).
// cpu-s is the processor time of all goroutines, which a busy machine changes
// less than the time by the clock.
//
//	go test -run '^$' -bench RehearseYear -benchtime 3x ./ingest
func BenchmarkRehearseYear(b *testing.B) {
	for _, name := range []string{"packs", "single"} {
		b.Run(name, func(b *testing.B) {
			y := years[name]()
			b.ReportAllocs()
			var r *Rehearsal
			used := processorTime(b)
			b.ResetTimer()
			for range b.N {
				var err error
				if r, err = Rehearse([]site.Property{y.property}, bytes.NewReader(y.recording)); err != nil {
					b.Fatal(err)
				}
			}
			used = processorTime(b) - used
			s := b.Elapsed().Seconds() / float64(b.N)
			b.ReportMetric(s, "s/property-year")
			b.ReportMetric(used.Seconds()/float64(b.N), "cpu-s/property-year")
			b.ReportMetric(float64(r.Readings)/s, "readings/s")
			b.ReportMetric(float64(r.Lines), "lines")
			b.ReportMetric(float64(r.Readings), "readings")
			b.ReportMetric(0, "ns/op")
		})
	}
}

// BenchmarkRehearseStoredYear is the same property-year from the store, as underkeep
// rehearse --property-id has it: rows from Postgres, put together into messages, through
// the evaluator. What it takes to store the year is not in the figures.
//
//	go test -run '^$' -bench RehearseStoredYear -benchtime 3x ./ingest
func BenchmarkRehearseStoredYear(b *testing.B) {
	y := years["packs"]()
	st := storedYear(b, y)
	d, err := st.Description(y.property.ID)
	if err != nil {
		b.Fatal(err)
	}
	from := y.property.Installed.In(y.property.Zone())
	b.ReportAllocs()
	used := processorTime(b)
	b.ResetTimer()
	for range b.N {
		out, err := RehearseStored(b.Context(), st, d, from, from.AddDate(2, 0, 0), d.Versions)
		if err != nil {
			b.Fatal(err)
		}
		if len(out[0].Replay.Alarms()) == 0 {
			b.Fatal("a year without an alarm")
		}
	}
	used = processorTime(b) - used
	b.ReportMetric(b.Elapsed().Seconds()/float64(b.N), "s/property-year")
	b.ReportMetric(used.Seconds()/float64(b.N), "cpu-s/property-year") // of this process, not of Postgres
	b.ReportMetric(0, "ns/op")
}

// storedYear puts a recorded year into a fresh store.
func storedYear(b *testing.B, y year) *store.Store {
	b.Helper()
	ctx := b.Context()
	st, err := store.Open(ctx, pgtest.Durable(b).URL(), store.Options{Log: quiet()})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(st.Close)
	if err := st.Migrate(ctx); err != nil {
		b.Fatal(err)
	}
	if _, err := st.RegisterFile(ctx, site.FormatProperty(y.property), y.property.ID, "bench"); err != nil {
		b.Fatal(err)
	}
	sites := StoreSites(st.Registry)
	var batch []store.Delivery
	records, known := 0, map[string]bool{}
	flush := func() {
		if _, err := st.Record(ctx, batch); err != nil {
			b.Fatal(err)
		}
		batch, records = batch[:0], 0
	}
	for line := range bytes.Lines(y.recording) {
		m, err := parseLine(line)
		if err != nil {
			b.Fatal(err)
		}
		in := Decode(sites, m.Topic, m.Payload, m.Received)
		if !known[in.Gateway] {
			known[in.Gateway] = true
			if _, err := st.AddGateway(ctx, y.property.ID, in.Gateway, "bench"); err != nil {
				b.Fatal(err)
			}
			in = Decode(sites, m.Topic, m.Payload, m.Received)
		}
		if records += len(in.Readings) + len(in.Refused); records > store.MaxBatch {
			flush()
			records = len(in.Readings) + len(in.Refused)
		}
		batch = append(batch, in)
	}
	flush()
	return st
}

// processorTime is what this process has used so far, in and for itself.
func processorTime(b *testing.B) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
