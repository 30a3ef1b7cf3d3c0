package simulate

import (
	"testing"
	"time"
)

// BenchmarkSpaceYear is one property-year, five-minute readings, one pack a
// sample, as the detection benchmark and the demo need it.
func BenchmarkSpaceYear(b *testing.B) {
	from := time.Date(2013, 1, 2, 0, 0, 0, 0, time.UTC)
	c := Cottage{ID: "bench-1", Name: "1 Bench", Installed: from, Fan: true, Wood: true, Duct: true, Mains: true, Leak: true}
	for b.Loop() {
		s := NewSpace(Config{Property: c.Property(), From: from, Comms: Comms{PackEvery: 6 * time.Hour}}, 7)
		records := 0
		s.Advance(from.AddDate(1, 0, 0), func(m Message) { records += m.Records })
		b.ReportMetric(float64(records), "readings/op")
	}
}
