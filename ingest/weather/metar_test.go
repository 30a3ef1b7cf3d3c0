package weather

import (
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
)

const body = "KXSB 022353Z AUTO 08008KT 10SM CLR 23/18 A3013"

// FMH-1 chapter 12 (precipitation groups in hundredths of an inch), worked by hand.
func TestMETARGroups(t *testing.T) {
	t.Parallel()
	for remarks, want := range map[string]struct {
		hourly, several Depth
		hours           int
		dry             bool
	}{
		"AO2 P0009":             {hourly: Depth{Measured, 2.286}},
		"AO2 P0050":             {hourly: Depth{Measured, 12.7}},
		"AO2 P0000":             {hourly: Depth{State: Trace}},
		"AO2 P////":             {hourly: Depth{State: Missing}},
		"AO2 SLP203":            {dry: true},
		"AO2 SLP203 PNO":        {},
		"AO1 SLP203":            {},
		"AO2 RAB09E48 SLP203":   {},
		"AO2 60000":             {several: Depth{State: Trace}, dry: true},
		"AO2 P0012 60123 70200": {hourly: Depth{Measured, 3.048}, several: Depth{Measured, 31.242}},
		"AO2 6////":             {several: Depth{State: Missing}, dry: true},
		"AO2 PRESRR PRESFR":     {dry: true},
		"AO2 P0009 P0050":       {hourly: Depth{Measured, 2.286}}, // the first counts
		"AO2 P009 60":           {dry: true},                      // no groups of theirs
	} {
		m, err := ParseMETAR(body + " RMK " + remarks)
		if err != nil {
			t.Fatal(err)
		}
		if !same(m.Hourly, want.hourly) || !same(m.Several, want.several) || m.Dry() != want.dry {
			t.Errorf("%s: hourly %+v, several %+v, dry %t", remarks, m.Hourly, m.Several, m.Dry())
		}
	}
	if m, err := ParseMETAR(body); err != nil || m.Dry() {
		t.Errorf("without remarks nothing is known: %+v, %v", m, err)
	}
	if m, err := ParseMETAR("SPECI " + strings.Replace(body, "10SM", "2SM -RA", 1) + " RMK AO2"); err != nil || m.Dry() || !m.Special || !m.Precipitation {
		t.Errorf("it rains: %+v, %v", m, err)
	}
}

func same(a, b Depth) bool { return a.State == b.State && math.Abs(a.MM-b.MM) < 1e-9 }

// T02280183 is 22.8 and 18.3 °C, T10171028 -1.7 and -2.8 °C (FMH-1 12.7.2.d).
func TestMETARTemperature(t *testing.T) {
	t.Parallel()
	for group, want := range map[string][2]float64{"T02280183": {22.8, 18.3}, "T10171028": {-1.7, -2.8}, "T10000011": {0, 1.1}} {
		m, err := ParseMETAR(body + " RMK AO2 " + group)
		if err != nil || m.TempC == nil || m.DewC == nil || *m.TempC != want[0] || *m.DewC != want[1] {
			t.Errorf("%s: %+v, %v", group, m, err)
		}
	}
}

// 6RRRR spans 6 h at 00, 06, 12 and 18 UTC and 3 h between (FMH-1 12.7.2.a.3).
func TestSeveralHours(t *testing.T) {
	t.Parallel()
	for hour := range 24 {
		m, err := ParseMETAR(fmt.Sprintf("KXSB 02%02d53Z AUTO RMK AO2 60010", hour))
		if err != nil {
			t.Fatal(err)
		}
		want := map[int]int{5: 6, 11: 6, 17: 6, 23: 6, 2: 3, 8: 3, 14: 3, 20: 3}[hour]
		if got := m.SeveralHours(); want != 0 && got != want {
			t.Errorf("at %02d:53 %d h, want %d", hour, got, want)
		}
	}
}

func TestMETARRefused(t *testing.T) {
	t.Parallel()
	for _, raw := range []string{"", "RMK AO2", "KXSB", "KXSB 022353 AUTO", "kxsb 022353Z", "KXSB 002353Z", "KXSB 022453Z", "KXSB 022360Z", strings.Repeat("KXSB ", 1000)} {
		if m, err := ParseMETAR(raw); err == nil {
			t.Errorf("%q: %+v", raw, m)
		}
	}
}

func FuzzParseMETAR(f *testing.F) {
	f.Add(body + " RMK AO2 P0009 60123 70200 T02280183 RAB09E48")
	f.Add("SPECI COR KXSB 022353Z RMK")
	f.Fuzz(func(t *testing.T, raw string) {
		m, err := ParseMETAR(raw)
		if err != nil {
			return
		}
		for _, d := range []Depth{m.Hourly, m.Several, m.Day24} {
			if mm, ok := d.Amount(); ok != (d.State == Measured || d.State == Trace) || mm < 0 || mm > 254*10 {
				t.Errorf("%q: %+v", raw, d)
			}
		}
		if m.Dry() && m.NoGauge {
			t.Errorf("%q: dry without a gauge", raw)
		}
	})
}

func document(t testing.TB, name string) []byte {
	t.Helper()
	b, err := os.ReadFile("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	return b
}
