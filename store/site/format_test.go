package site_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"underkeep/store/site"
	"underkeep/store/site/units"
)

func parse(t *testing.T, text string) site.Property {
	t.Helper()
	p, err := site.ParseProperty([]byte(text), "f.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestFormatPropertyWritesTheHousesOwnUnits(t *testing.T) {
	t.Parallel()
	p := parse(t, string(read(t, "heron-07.yaml")))
	got := string(site.FormatProperty(p))
	for _, want := range []string{
		"property: heron-07\nname: \"7 Heron Lane\"\n", "floor_area: 1040 ft2\n", "capacity: 70 pint/day\n", "flow: 22 cfm\n",
		"basin_diameter: 18 in\n", "rated_flow: 3600 gph\n", "shutoff_head: 22 ft\n", "length: 35 ft\n",
		"  - id: north-bay\n    measures: [rh, air-temp]\n    every: 5m\n", "air-temp: 0.54 F\n", "installed: 2026-03-02\n",
	} {
		if !strings.Contains(got, want) {
			t.Errorf("no %q in\n%s", want, got)
		}
	}
}

// Both files of testdata come back equal after being written and read again.
func TestFormatPropertyRoundTripsFiles(t *testing.T) {
	t.Parallel()
	files, err := filepath.Glob("testdata/*.yaml")
	if err != nil || len(files) < 2 {
		t.Fatalf("testdata has %v, %v", files, err)
	}
	for _, f := range files {
		data, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		p := parse(t, string(data))
		if d := cmp.Diff(p, parse(t, string(site.FormatProperty(p)))); d != "" {
			t.Errorf("%s: -first +again:\n%s", f, d)
		}
	}
}

func TestFingerprintIsOfTheMeaning(t *testing.T) {
	t.Parallel()
	base := parse(t, minimal)
	same := parse(t, `# a comment
points: [{every: 300s, measures: [rh, air-temp], id: "north-bay"}]
installed: 2026-03-02
timezone: America/New_York
name: "7 Heron Lane"
property: heron-07
units: si
commissioning: 336h
`)
	other := parse(t, strings.Replace(minimal, "5m", "6m", 1))
	if base.Fingerprint() != same.Fingerprint() {
		t.Error("order, comments and spelling change the fingerprint")
	}
	if base.Fingerprint() == other.Fingerprint() || len(base.Fingerprint()) != 64 {
		t.Error("another interval has the same fingerprint")
	}
}

// Whatever a property says, in whatever units, it survives writing and reading
// exactly, and its canonical text is a fixed point.
func TestFormatPropertyRoundTrips(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		p := drawProperty(t)
		text := site.FormatProperty(p)
		again, err := site.ParseProperty(text, "f.yaml")
		if err != nil {
			t.Fatalf("%v in\n%s", err, text)
		}
		if d := cmp.Diff(p, again); d != "" {
			t.Fatalf("-first +again:\n%s\n%s", d, text)
		}
		if !bytes.Equal(text, site.FormatProperty(again)) {
			t.Fatalf("the canonical text changes:\n%s", text)
		}
	})
}

// drawValue is a value of the dimension as a person would have written it, in
// any accepted unit, within [least, most] of the inside unit.
func drawValue(t *rapid.T, name string, dim units.Dimension, least, most float64) float64 {
	unit := rapid.SampledFrom(units.Accepted(dim)).Draw(t, name+" unit")
	low, err := units.Convert(dim, least, unit)
	if err != nil {
		t.Fatal(err)
	}
	high, _ := units.Convert(dim, most, unit)
	v := rapid.Float64Range(low, high).Draw(t, name)
	digits := rapid.IntRange(0, 6).Draw(t, name+" digits")
	got, err := units.Parse(dim, fmt.Sprintf("%.*f %s", digits, v, unit))
	if err != nil {
		t.Fatal(err)
	}
	return min(max(got, least), most)
}

func drawProperty(t *rapid.T) site.Property {
	word := rapid.StringMatching(`[^\pC\pZ]([^\pC]{0,18}[^\pC\pZ])?`)
	p := site.Property{
		ID: rapid.StringMatching(`[a-z0-9][a-z0-9-]{0,39}`).Draw(t, "id"), Name: word.Draw(t, "name"),
		Timezone:  rapid.SampledFrom([]string{"America/New_York", "Europe/Zurich", "UTC"}).Draw(t, "zone"),
		Units:     rapid.SampledFrom([]site.UnitSystem{site.US, site.SI}).Draw(t, "units"),
		Installed: drawDate(t), MoldClass: "sensitive", MoldDecline: 0.1, Commissioning: 14 * 24 * time.Hour,
	}
	if rapid.Bool().Draw(t, "with the rest") {
		p.Area, p.WeatherStation = word.Draw(t, "area"), word.Draw(t, "station")
		p.Owner = site.Owner{Name: word.Draw(t, "owner"), Email: "a@example.org", Phone: "+1 910 555 0100", Language: "es"}
		p.Location = &site.Location{Lat: drawValue(t, "lat", units.Ratio, -90, 90), Lon: -77.87}
		later := p.Installed.AddDays(rapid.IntRange(0, 900).Draw(t, "days"))
		p.Effective = &later
		p.MoldClass, p.MoldDecline = "resistant", rapid.SampledFrom([]float64{0, 0.25, 1}).Draw(t, "decline")
		p.Commissioning = time.Duration(rapid.IntRange(0, 8000).Draw(t, "hours")) * time.Hour
		p.Space = &site.Space{FloorAreaM2: drawValue(t, "floor", units.Area, 1, 1000)}
		p.Dehumidifier = &site.Dehumidifier{SetpointRHPct: drawValue(t, "set", units.RelHumidity, 30, 70), DrainsTo: "sump"}
		p.ExhaustFan = &site.ExhaustFan{FlowLps: drawValue(t, "fan", units.AirFlow, 1, 100)}
		p.WarrantyTerms = "standard-60"
		p.StormGap = time.Duration(rapid.IntRange(60, 72*60).Draw(t, "gap")) * time.Minute
	}
	p.Sump, p.Limits, p.Points = drawSump(t), drawLimits(t), drawPoints(t)
	return p
}

func drawDate(t *rapid.T) site.Date {
	first := site.Date{Year: 1990, Month: time.January, Day: 1}
	return first.AddDays(rapid.IntRange(0, 40_000).Draw(t, "installed"))
}

func drawSump(t *rapid.T) *site.Sump {
	if rapid.Bool().Draw(t, "no sump") {
		return nil
	}
	length := func(name string, least, most float64) float64 { return drawValue(t, name, units.Length, least, most) }
	s := &site.Sump{
		BasinDiameterM: length("diameter", 0.2, 1), FloatOffM: length("off", 0.05, 0.2), FloatOnM: length("on", 0.25, 0.5),
		HighWaterM: length("high", 0.55, 0.8), CommissionedDrawDown: time.Duration(rapid.IntRange(0, 1e11).Draw(t, "draw-down")),
		Discharge: &site.Discharge{Pipe: "pvc-sch40-2in", LengthM: length("pipe", 1, 100), Elbows: rapid.IntRange(0, 9).Draw(t, "elbows")},
		Pump:      &site.Pump{RatedFlowLps: drawValue(t, "flow", units.Flow, 0.1, 10), ShutoffHeadM: drawValue(t, "head", units.Head, 1, 30)},
	}
	if s.CommissionedDrawDown < time.Millisecond {
		s.CommissionedDrawDown = 0
	}
	if rapid.Bool().Draw(t, "design") {
		s.DesignStorm = &site.DesignStorm{DepthMm: drawValue(t, "depth", units.Depth, 1, 2000), Duration: time.Duration(rapid.IntRange(300, 604_800).Draw(t, "long")) * time.Second}
	}
	if rapid.Bool().Draw(t, "backup") {
		q := drawValue(t, "q", units.Flow, 0.2, 2)
		s.BackupPump = &site.Pump{CurvePoints: []site.CurvePoint{{FlowLps: 0, HeadM: 9}, {FlowLps: q, HeadM: 4}, {FlowLps: 2 * q, HeadM: 0}}}
	}
	return s
}

func drawLimits(t *rapid.T) site.Limits {
	var l site.Limits
	if rapid.Bool().Draw(t, "off") {
		l.Off = map[site.Condition]bool{site.LeakAlarm: true}
	}
	if rapid.Bool().Draw(t, "limits") {
		above := drawValue(t, "above", units.TemperatureDiff, 0.5, 2)
		l.Values = map[site.Condition]map[string]float64{
			site.CondensationRisk: {"below": above, "clear": above + 1},
			site.WaterUnexplained: {"rain": drawValue(t, "rain", units.Depth, 0, 20), "norm_floor": drawValue(t, "floor", units.Volume, 1, 500)},
		}
	}
	return l
}

func drawPoints(t *rapid.T) []site.Point {
	names := rapid.SliceOfNDistinct(rapid.StringMatching(`[a-z0-9][a-z0-9-]{0,39}`), 2, 6, rapid.ID[string]).Draw(t, "points")
	points := []site.Point{
		{ID: names[0], Measures: []site.Quantity{site.RH, site.AirTemp}, Every: drawEvery(t),
			Sensor: &site.Sensor{Accuracy: map[site.Quantity]float64{site.AirTemp: drawValue(t, "accuracy", units.TemperatureDiff, 0, 2)}}},
		{ID: names[1], Measures: []site.Quantity{site.SurfaceTemp}, Surface: "joist", Air: names[0], Gateway: "gw-1"},
	}
	switches := []site.Quantity{site.Leak, site.HighWater, site.Mains, site.Battery}
	for _, n := range names[2:] {
		q := rapid.SampledFrom(switches).Draw(t, "switch")
		points = append(points, site.Point{ID: n, Measures: []site.Quantity{q}, Outdoors: rapid.Bool().Draw(t, "out")})
	}
	return points
}

func drawEvery(t *rapid.T) time.Duration {
	return time.Duration(rapid.IntRange(1, 86_400).Draw(t, "every")) * time.Second
}

func TestMissingSaysWhatIsNotWatched(t *testing.T) {
	t.Parallel()
	bare := parse(t, minimal)
	got := strings.Join(bare.Missing(), "\n")
	for _, want := range []string{"sump is left out", "dehumidifier is left out", "space is left out", "leaks are not watched",
		"condensation is not watched", "point north-bay: sensor.accuracy is left out", "no verdict is given"} {
		if !strings.Contains(got, want) {
			t.Errorf("no %q in\n%s", want, got)
		}
	}
	full := parse(t, string(read(t, "full.yaml")))
	if gaps := full.Missing(); len(gaps) != 0 {
		t.Errorf("the full description lacks %q", gaps)
	}
	heron := parse(t, string(read(t, "heron-07.yaml")))
	if slices.ContainsFunc(heron.Missing(), func(s string) bool { return strings.Contains(s, "rain") }) {
		t.Error("heron-07 has a gauge")
	}
}
