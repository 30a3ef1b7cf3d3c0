package report

import (
	"bytes"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"underkeep/api/warranty"
	"underkeep/store/site"
)

// sample is a half year with an excursion, gaps, a visit, a check, an outage
// and alarms, so that every section has something to say.
func sample(t testing.TB, name string) Input {
	t.Helper()
	p := site.Property{ID: "heron-07", Name: name, Timezone: "America/New_York", Installed: site.Date{Year: 2026, Month: 3, Day: 2}, Commissioning: 14 * 24 * time.Hour,
		MoldClass: "sensitive", MoldDecline: 0.1}
	for _, id := range []string{"north-bay", "south-bay"} {
		p.Points = append(p.Points, site.Point{ID: id, Measures: []site.Quantity{site.RH, site.AirTemp}, Every: 15 * time.Minute,
			Sensor: &site.Sensor{Serial: "A-" + id, Accuracy: map[site.Quantity]float64{site.RH: 1.5, site.AirTemp: 0.3}}})
	}
	standard, _ := warranty.Shipped()
	in := warranty.Input{Property: p.ID, Versions: []warranty.Version{{Property: p}}, From: p.Installed, To: site.Date{Year: 2026, Month: 9, Day: 1},
		Terms: []warranty.InForce{{From: p.Installed, Terms: standard[0]}}}
	for d := in.From; d.Before(in.To); d = d.AddDays(1) {
		in.Days = append(in.Days, warranty.Day{Date: d, Witnessed: d.AddDays(4).In(p.Zone()).UnixMicro(), Sealed: d.Month < 8})
	}
	start := in.From.In(p.Zone())
	for i, pt := range p.Points {
		var rh, temp warranty.Chunk
		for at := start; at.Before(in.To.In(p.Zone())); at = at.Add(15 * time.Minute) {
			h := at.Sub(start).Hours()
			if i == 0 && h > 2000 && h < 2030 {
				continue
			}
			v := 51 + 3*math.Sin(h/24*2*math.Pi) + 2*math.Sin(h/700) + 25*math.Exp(-h/100)
			if i == 0 && h > 2900 && h < 2990 {
				v += 14
			}
			for _, c := range []struct {
				to *warranty.Chunk
				v  float64
			}{{&rh, v}, {&temp, 19 + 3*math.Sin(h/900)}} {
				c.to.At, c.to.Received, c.to.Values = append(c.to.At, at.UnixMicro()), append(c.to.Received, at.UnixMicro()), append(c.to.Values, c.v)
			}
		}
		in.Series = append(in.Series, warranty.Series{Point: pt.ID, Quantity: site.RH, Chunks: []warranty.Chunk{rh}},
			warranty.Series{Point: pt.ID, Quantity: site.AirTemp, Chunks: []warranty.Chunk{temp}})
	}
	hour := func(h float64) time.Time { return start.Add(time.Duration(h * float64(time.Hour))).UTC() }
	over := hour(2999)
	in.Alarms = []warranty.Alarm{{ID: "heron-07.4", Condition: "humidity-high", Point: "north-bay", Priority: "high", RaisedAt: hour(2906), KnownAt: hour(2906), ClearedAt: &over,
		Answers: []warranty.Answer{{At: hour(2910), Kind: "acknowledged", By: "Lee Marsh", Note: "going tomorrow"}}}}
	in.Visits = []warranty.Visit{{ID: "heron-07.v2", Kind: "repair", By: warranty.ByCompany, From: hour(2985), To: hour(2988), Work: []string{"dehumidifier"}, Findings: "Breaker of the outlet had tripped; filter cleaned."}}
	in.Checks = []warranty.Check{{ID: "heron-07.c1", At: hour(2986), Point: "north-bay", Serial: "A-north-bay", Salt: "NaCl", TempC: 20, ReadPct: 76.4, ExpectedPct: 75.479, OffsetPct: 0.921, OffsetStandardPct: 0.3}}
	in.Outages = []warranty.Outage{{ID: "heron-07.o1", From: hour(2000), To: hour(2030), ReportedAt: hour(2040), By: "R. Okafor", Note: "storm"}}
	v, err := warranty.Judge(in)
	if err != nil {
		t.Fatal(err)
	}
	return Input{Verdict: v, Name: name, Zone: p.Zone()}
}

func write(t testing.TB, in Input) []byte {
	t.Helper()
	b, err := PDF(in)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// TestSameVerdictSameBytes: a report can be hashed and filed.
func TestSameVerdictSameBytes(t *testing.T) {
	t.Parallel()
	in := sample(t, "7 Heron Lane")
	a, b := write(t, in), write(t, in)
	if !bytes.Equal(a, b) {
		t.Error("the same verdict gives two different reports")
	}
	if !bytes.HasPrefix(a, []byte("%PDF-")) || len(a) > 400<<10 {
		t.Errorf("%d bytes, beginning %q", len(a), a[:8])
	}
	if path := os.Getenv("REPORT_OUT"); path != "" { // to look at it
		if err := os.WriteFile(path, a, 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// TestTextThatTheFontLacks: names come from people, notes from anywhere.
func TestTextThatTheFontLacks(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"7 Heron Lane 🏠", "Łódź Ñandú Ρόδος Ирина", "家", "a\x00b\u202ec", strings.Repeat("x", 5000), ""} {
		in := sample(t, name)
		in.Verdict.Alarms[0].Answers[0].Note = name
		if len(write(t, in)) == 0 {
			t.Errorf("%q: nothing", name)
		}
	}
	for text, want := range map[string]string{"Łódź ≤ 60 % · 7 °C": "Łódź ≤ 60 % · 7 °C", "🏠": "□", "家b": "□b", "a\tb": "a b"} {
		if got := clean(text); got != want {
			t.Errorf("%q becomes %q, want %q", text, got, want)
		}
	}
}

// TestOwnWordsAreCovered: everything that reports say by themselves has glyphs.
func TestOwnWordsAreCovered(t *testing.T) {
	t.Parallel()
	in := sample(t, "7 Heron Lane")
	v := in.Verdict
	texts := append([]string{v.Summary, v.Rule, "≤≥±–°×√σ€£"}, v.Cautions...)
	for _, p := range v.Pieces {
		for _, r := range p.Results {
			texts = append(texts, r.Reason, r.Changed, r.Term)
		}
	}
	for _, text := range texts {
		if clean(text) != text {
			t.Errorf("no glyph in the font for something in %q", text)
		}
	}
}

// TestEmptyVerdict: a period without a finished day.
func TestEmptyVerdict(t *testing.T) {
	t.Parallel()
	in := sample(t, "x")
	in.Verdict.Points, in.Verdict.Pieces, in.Verdict.To = nil, nil, in.Verdict.From
	write(t, in)
}

// BenchmarkReport writes half a year of two points with every section.
func BenchmarkReport(b *testing.B) {
	in := sample(b, "7 Heron Lane")
	for b.Loop() {
		write(b, in)
	}
}
