package site_test

import (
	"os"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"underkeep/store/site"
)

func read(t *testing.T, name string) []byte {
	t.Helper()
	data, err := os.ReadFile("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// The figures are worked by hand from exact definitions: 1 in = 25.4 mm,
// 1 US gal = 231 in³ = 3.785411784 L.
func TestParsePropertyReadsEveryField(t *testing.T) {
	t.Parallel()
	got, err := site.ParseProperty(read(t, "heron-07.yaml"), "heron-07.yaml")
	if err != nil {
		t.Fatal(err)
	}
	want := site.Property{
		ID: "heron-07", Name: "7 Heron Lane", Timezone: "America/New_York",
		Location: &site.Location{Lat: 34.21, Lon: -77.87}, Units: site.US,
		Installed:    site.Date{Year: 2026, Month: time.March, Day: 2},
		Owner:        site.Owner{Name: "R. Okafor", Email: "owner@example.org"},
		Space:        &site.Space{FloorAreaM2: 96.6191616, HeightM: 0.9144},
		Dehumidifier: &site.Dehumidifier{SetpointRHPct: 50, CapacityLPerDay: 33.12235311, DrainsTo: "sump"},
		ExhaustFan:   &site.ExhaustFan{FlowLps: 22 * 28.316846592 / 60},
		Sump: &site.Sump{
			BasinDiameterM: 0.4572, FloatOnM: 0.3048, FloatOffM: 0.1524, HighWaterM: 0.4064,
			Pump:         &site.Pump{RatedFlowLps: 3.785411784, ShutoffHeadM: 6.7056},
			Discharge:    &site.Discharge{Pipe: "pvc-sch40-1.5in", LengthM: 10.668, LiftM: 2.4384, Elbows: 3, CheckValve: true},
			WaterHistory: "damp",
		},
		Points: []site.Point{
			{ID: "north-bay", Measures: []site.Quantity{site.RH, site.AirTemp}, Every: 5 * time.Minute,
				Sensor: &site.Sensor{Serial: "A17", Accuracy: map[site.Quantity]float64{site.RH: 2, site.AirTemp: 0.3}}},
			{ID: "supply-duct", Measures: []site.Quantity{site.SurfaceTemp}, Every: 5 * time.Minute, Surface: "duct", Air: "north-bay"},
			{ID: "sump", Measures: []site.Quantity{site.PumpRun, site.HighWater}},
			{ID: "gauge", Measures: []site.Quantity{site.Rain}},
			{ID: "outdoors", Measures: []site.Quantity{site.RH, site.AirTemp}, Every: 15 * time.Minute, Outdoors: true},
		},
		MoldClass: "sensitive", MoldDecline: 0.1, Commissioning: 14 * 24 * time.Hour,
		WarrantyTerms: "standard-60",
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("-want +got:\n%s", d)
	}
}

// A design storm and the dry time between storms, by hand: 7 in = 177.8 mm.
func TestParsePropertyReadsStorms(t *testing.T) {
	t.Parallel()
	file := string(read(t, "heron-07.yaml")) + "storm_gap: 12h\n"
	with := strings.Replace(file, "  water_history: damp", "  water_history: damp\n  design_storm: {depth: 7 in, duration: 24h}", 1)
	got, err := site.ParseProperty([]byte(with), "heron-07.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if got.StormGap != 12*time.Hour || got.Sump.DesignStorm == nil || *got.Sump.DesignStorm != (site.DesignStorm{DepthMm: 177.8, Duration: 24 * time.Hour}) {
		t.Errorf("gap %s, design storm %+v", got.StormGap, got.Sump.DesignStorm)
	}
	for bad, says := range map[string]string{
		"{depth: 7 in}":                      "duration",
		"{depth: 7 gph, duration: 24h}":      "depth",
		"{depth: 7 in, duration: 24h, x: 1}": "x",
	} {
		text := strings.Replace(with, "{depth: 7 in, duration: 24h}", bad, 1)
		if _, err := site.ParseProperty([]byte(text), "f.yaml"); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%s: %v", bad, err)
		}
	}
	if _, err := site.ParseProperty([]byte(strings.Replace(file, "12h", "10m", 1)), "f.yaml"); err == nil {
		t.Error("storms ten minutes apart were accepted")
	}
}
