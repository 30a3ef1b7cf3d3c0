package warranty

import (
	"fmt"
	"math"
	"testing"
	"time"

	"underkeep/store/site"
)

// yearOf builds a year of n air points at five minutes: 210,000 readings a
// point and year, in chunks of one day as sealed days give them.
func yearOf(n int) Input {
	p := house(2)
	p.Points = nil
	for i := range n {
		p.Points = append(p.Points, site.Point{ID: fmt.Sprintf("bay-%d", i), Measures: []site.Quantity{site.RH, site.AirTemp}, Every: everyMin,
			Sensor: &site.Sensor{Accuracy: map[site.Quantity]float64{site.RH: 2, site.AirTemp: 0.3}}})
	}
	r := newRecord(p, day(2026, 1, 1), day(2027, 1, 1))
	for i := range n {
		rh, temp := Series{Point: p.Points[i].ID, Quantity: site.RH}, Series{Point: p.Points[i].ID, Quantity: site.AirTemp}
		for _, d := range r.Days {
			var at, received []int64
			var a, b []float64
			for t := d.Date.In(r.zone); t.Before(d.Date.AddDays(1).In(r.zone)); t = t.Add(everyMin) {
				x := float64(t.Unix()%86400) / 86400 * 2 * math.Pi
				season := math.Sin(float64(t.YearDay()) / 365 * 2 * math.Pi)
				at, received = append(at, t.UnixMicro()), append(received, t.Add(time.Second).UnixMicro())
				a, b = append(a, 54+4*math.Sin(x)-3*season), append(b, 18+math.Cos(x)-4*season)
			}
			rh.Chunks, temp.Chunks = append(rh.Chunks, Chunk{at, received, a}), append(temp.Chunks, Chunk{at, received, b})
		}
		r.Series = append(r.Series, rh, temp)
	}
	return r.Input
}

// BenchmarkPropertyYear judges a year of six points, 1.26 million readings.
func BenchmarkPropertyYear(b *testing.B) {
	in := yearOf(6)
	b.ReportAllocs()
	for b.Loop() {
		if v := judged(b, in); v.Days != 365 {
			b.Fatal(v.Days)
		}
	}
}
