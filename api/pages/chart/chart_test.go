package chart

import (
	"encoding/xml"
	"errors"
	"io"
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

var newYork = func() *time.Location {
	l, err := time.LoadLocation("America/New_York")
	if err != nil {
		panic(err)
	}
	return l
}()

func hour(h int) time.Time { return time.Date(2026, 7, 14, h, 0, 0, 0, time.UTC) }

func sample(h int, v float64) Sample { return Sample{At: hour(h), Low: v, Mean: v, High: v} }

// mustParse reads the SVG with a strict XML reader: a chart must stand in mail
// and reports too, not only in forgiving browsers.
func mustParse(t interface{ Fatalf(string, ...any) }, svg string) {
	d := xml.NewDecoder(strings.NewReader(svg))
	for {
		_, err := d.Token()
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			t.Fatalf("not well-formed: %v\n%s", err, svg)
		}
	}
}

func TestLineStopsAtAGapAndTheGapIsHatched(t *testing.T) {
	t.Parallel()
	c := Chart{ID: "a", Title: "T", Unit: " %", From: hour(0), To: hour(12), Zone: newYork, Lines: []Line{{
		Name: "n", Style: 1, Gap: 90 * time.Minute,
		Samples: []Sample{sample(0, 50), sample(1, 51), sample(2, 52), sample(8, 53), sample(9, 52), sample(10, 51), sample(11, 51)},
	}}}
	svg := string(c.SVG())
	mustParse(t, svg)
	line := svg[strings.Index(svg, `class="line s1"`):]
	line = line[:strings.Index(line, "/>")]
	if n := strings.Count(line, "M"); n != 2 {
		t.Errorf("the line has %d pieces, want 2: %s", n, line)
	}
	if n := strings.Count(svg, "No readings from"); n != 1 {
		t.Errorf("%d gaps hatched, want 1", n)
	}
	if !strings.Contains(svg, "No readings from Mon Jul 13 22:00 to Tue Jul 14 04:00") {
		t.Errorf("the gap is not told in the zone of the chart:\n%s", svg)
	}
}

func TestGapsAtBothEndsCount(t *testing.T) {
	t.Parallel()
	got := between(hour(0), hour(12), []time.Time{hour(5), hour(6)}, 2*time.Hour)
	want := [][2]time.Time{{hour(0), hour(5)}, {hour(6), hour(12)}}
	if len(got) != 2 || got[0] != want[0] || got[1] != want[1] {
		t.Errorf("%v, want %v", got, want)
	}
}

func TestPositionsAreRight(t *testing.T) {
	t.Parallel()
	c := Chart{From: hour(0), To: hour(10), Height: 100, Lines: []Line{{Samples: []Sample{sample(0, 40), sample(5, 60)}}}}
	if x := c.x(hour(5)); x != 500 {
		t.Errorf("the middle is at %g", x)
	}
	s := c.fit()
	if s.y(40) <= s.y(60) {
		t.Error("more is not higher")
	}
	if s.y(60) < 0 || s.y(40) > 100 {
		t.Errorf("data leaves the picture: %g to %g", s.y(60), s.y(40))
	}
}

func TestTextIsEscaped(t *testing.T) {
	t.Parallel()
	evil := `<script>alert("1")</script>&`
	c := Chart{ID: "a", Title: evil, Unit: evil, From: hour(0), To: hour(6), Zone: newYork,
		Lines: []Line{{Name: evil, Style: 1, Samples: []Sample{sample(1, 1)}}}, Limits: []Limit{{Value: 1, Name: evil}},
		Marks: []Mark{{From: hour(1), To: hour(2), Label: evil, Title: evil}}}
	svg := string(c.SVG())
	mustParse(t, svg)
	if strings.Contains(svg, "<script") {
		t.Error(svg)
	}
}

// TestDaylightSaving steps by the calendar: in New York March 8, 2026 had 23
// hours and November 1, 2026 has 25 (US Energy Policy Act of 2005, section 110:
// second Sunday in March, first Sunday in November).
func TestDaylightSaving(t *testing.T) {
	t.Parallel()
	for _, day := range []time.Time{time.Date(2026, 3, 8, 0, 0, 0, 0, newYork), time.Date(2026, 11, 1, 0, 0, 0, 0, newYork)} {
		c := Chart{From: day.AddDate(0, 0, -3), To: day.AddDate(0, 0, 4), Zone: newYork}
		ticks := c.times()
		if len(ticks) != 7 {
			t.Errorf("%d days", len(ticks))
		}
		for _, tick := range ticks {
			if h, m, s := tick.at.In(newYork).Clock(); h+m+s != 0 {
				t.Errorf("%s is not midnight", tick.at.In(newYork))
			}
		}
	}
}

func TestTicksAreRoundInsideAndFew(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		low := rapid.Float64Range(-1000, 1000).Draw(t, "low")
		high := low + rapid.Float64Range(0.001, 5000).Draw(t, "span")
		got := ticks(low, high, 4)
		if len(got) < 1 || len(got) > 5 {
			t.Fatalf("%d ticks from %g to %g: %v", len(got), low, high, got)
		}
		for _, v := range got {
			if v < low || v >= high {
				t.Fatalf("%g is outside %g to %g", v, low, high)
			}
		}
	})
}

// TestAnyDataDraws is for the odd ones: no samples, one, equal values, huge ones.
func TestAnyDataDraws(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.Float64Range(-1e6, 1e6), 0, 40).Draw(t, "values")
		var samples []Sample
		var bars []Bar
		at := hour(0)
		for _, v := range values {
			at = at.Add(time.Duration(rapid.IntRange(1, 300).Draw(t, "minutes")) * time.Minute)
			samples = append(samples, Sample{At: at, Low: v - 1, Mean: v, High: v + 1})
			bars = append(bars, Bar{At: at, Width: time.Hour, Value: math.Abs(v)})
		}
		c := Chart{ID: "a", Title: "t", From: hour(0), To: at.Add(time.Hour), Zone: newYork,
			Lines: []Line{{Name: "l", Style: 1, Samples: samples, Gap: time.Hour}, {Name: "m", Style: 2, Samples: samples, Gap: time.Hour}}, Between: &[2]int{0, 1}}
		if rapid.Bool().Draw(t, "bars") {
			c.Lines, c.Between, c.Bars = nil, nil, bars
		}
		svg := string(c.SVG())
		mustParse(t, svg)
		if strings.Contains(svg, "NaN") || strings.Contains(svg, "Inf") {
			t.Fatalf("%s", svg)
		}
	})
}

func TestMarginBetweenSensorsOfDifferentMinutes(t *testing.T) {
	t.Parallel()
	upper := Line{Name: "u", Style: 1, Gap: 3 * time.Hour, Samples: []Sample{sample(0, 10), sample(2, 10), sample(4, 10)}}
	lower := Line{Name: "l", Style: 2, Gap: 3 * time.Hour, Samples: []Sample{sample(0, 5), sample(1, 7), sample(3, 11), sample(8, 12)}}
	if v, ok := lower.at(hour(2)); !ok || v != 9 {
		t.Errorf("between 7 and 11 lies %g, %v", v, ok)
	}
	for _, h := range []int{4, 9} {
		if _, ok := lower.at(hour(h)); ok {
			t.Errorf("hour %d: the line has stopped there", h)
		}
	}
	upper.Samples = append(upper.Samples[:2], sample(3, 10))
	c := Chart{ID: "a", Title: "t", From: hour(0), To: hour(9), Zone: newYork, Lines: []Line{upper, lower}, Between: &[2]int{0, 1}}
	if svg := string(c.SVG()); !strings.Contains(svg, `class="between"`) || !strings.Contains(svg, `class="under"`) {
		t.Error("the margin or its reversal is not filled")
	}
}
