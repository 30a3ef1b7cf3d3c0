package ingest

import (
	"bytes"
	"sync"
	"syscall"
	"testing"
	"time"

	"underkeep/alerting/simulate"
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

// processorTime is what this process has used so far, in and for itself.
func processorTime(b *testing.B) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
