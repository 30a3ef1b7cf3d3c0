package water

import (
	"compress/gzip"
	"encoding/csv"
	"fmt"
	"os"
	"strconv"
	"testing"
	"time"
)

// readGzip reads the rows of a measured series in testdata/rain; each file names its
// source and licence in its first line.
func readGzip(t testing.TB, name string) [][]string {
	t.Helper()
	f, err := os.Open("../../testdata/rain/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	r := csv.NewReader(z)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows[1:]
}

// quarters is rain in mm by quarter of an hour from start on.
type quarters struct {
	start Micros
	mm    []float32
}

const quarterMicros = microsPerHour / 4

func (q *quarters) add(at Micros, n int, mm float64) {
	for i := range n {
		k := int((at-q.start)/quarterMicros) + i
		for len(q.mm) <= k {
			q.mm = append(q.mm, 0)
		}
		q.mm[k] += float32(mm / float64(n))
	}
}

func micros(t testing.TB, layout, s string) Micros {
	t.Helper()
	at, err := time.Parse(layout, s)
	if err != nil {
		t.Fatal(err)
	}
	return at.UnixMicro()
}

func number(t testing.TB, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// airportRain is one airport of testdata/rain/nyc2013_hourly_rain.csv.gz.
func airportRain(t testing.TB, origin string) quarters {
	q := quarters{start: micros(t, time.RFC3339, "2013-01-01T00:00:00Z")}
	for _, r := range readGzip(t, "nyc2013_hourly_rain.csv.gz") {
		if r[0] == origin && r[2] != "" {
			q.add(micros(t, time.RFC3339, r[1]), 4, 25.4*number(t, r[2]))
		}
	}
	return q
}

// creekHour is one hour of testdata/rain/cedar_creek_rain_flow_hourly.csv.gz.
type creekHour struct {
	at      Micros
	rainMm  float64
	flowCfs float64 // negative: missing
}

func creek(t testing.TB) []creekHour {
	var out []creekHour
	for _, r := range readGzip(t, "cedar_creek_rain_flow_hourly.csv.gz") {
		h := creekHour{at: micros(t, "2006-01-02 15:04", r[0]), flowCfs: -1}
		if r[1] != "" {
			h.rainMm = number(t, r[1])
		}
		if r[2] != "" {
			h.flowCfs = number(t, r[2])
		}
		out = append(out, h)
	}
	return out
}

func creekRain(t testing.TB) quarters {
	hours := creek(t)
	q := quarters{start: hours[0].at}
	for _, h := range hours {
		if h.rainMm > 0 {
			q.add(h.at, 4, h.rainMm)
		}
	}
	return q
}

// after appends another series as if it followed at once.
func (q quarters) after(next quarters) quarters {
	return quarters{start: q.start, mm: append(append([]float32(nil), q.mm...), next.mm...)}
}

func (q quarters) years() float64 { return float64(len(q.mm)) / 4 / 24 / 365.25 }

func (q quarters) String() string {
	sum := 0.0
	for _, mm := range q.mm {
		sum += float64(mm)
	}
	return fmt.Sprintf("%.2f years, %.0f mm", q.years(), sum)
}
