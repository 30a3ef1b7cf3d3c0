package asbuilt

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"underkeep/store/site"
)

const (
	ft   = 0.3048
	in   = 0.0254
	gal  = 3.785411784 // L
	gpm  = gal / 60    // L/s
	pint = gal / 8     // L
	ft2  = ft * ft
	cfm  = ft * ft * ft * 1000 / 60 // L/s
)

// want of one figure: value in the unit named, 0 tolerance for "no value".
type want struct {
	name      string
	status    Status
	value     float64
	unit      float64 // inside units per unit of value
	tolerance float64
}

func compare(t *testing.T, r Report, wants []want) {
	t.Helper()
	for _, w := range wants {
		f, ok := r.Find(w.name)
		switch {
		case !ok:
			t.Errorf("%s: no figure %s", r.Property, w.name)
		case f.Status != w.status:
			t.Errorf("%s: %s is %s (%s), want %s", r.Property, w.name, f.Status, f.Verdict, w.status)
		case w.unit == 0 && f.HasValue:
			t.Errorf("%s: %s has a value %g, want none", r.Property, w.name, f.Value)
		case w.unit != 0 && !(math.Abs(f.Value/w.unit-w.value) <= w.tolerance):
			t.Errorf("%s: %s = %.5g, want %.5g ± %g", r.Property, w.name, f.Value/w.unit, w.value, w.tolerance)
		}
	}
}

// healthy is testdata/properties/sealed-healthy.yaml.
func healthy() site.Property {
	return site.Property{
		ID: "tern-row-3", Name: "3 Tern Row", Units: site.US,
		Space:        &site.Space{FloorAreaM2: 1040 * ft2, HeightM: 3 * ft},
		Dehumidifier: &site.Dehumidifier{SetpointRHPct: 50, CapacityLPerDay: 90 * pint, DrainsTo: "sump"},
		ExhaustFan:   &site.ExhaustFan{FlowLps: 22 * cfm},
		Sump: &site.Sump{
			BasinDiameterM: 24 * in, BasinDepthM: 30 * in, FloatOnM: 14 * in, FloatOffM: 6 * in, HighWaterM: 20 * in,
			Pump:         &site.Pump{RatedFlowLps: 60 * gpm, ShutoffHeadM: 22 * ft},
			Discharge:    &site.Discharge{Pipe: "pvc-sch40-1.5in", LengthM: 35 * ft, LiftM: 8 * ft, Elbows: 3, CheckValve: true},
			WaterHistory: "damp",
		},
	}
}

// By hand, for 3 Tern Row:
//
//	storage        π/4·24²·8/231 = 15.667 gal
//	pipe           35 ft + (3·30 + 100)·1.610/12 = 60.49 ft
//	pump           22(1 − (Q/60)²) ft; line 8 + 0.6049·0.2083(2/3)^1.852 Q^1.852/1.61^4.8655
//	               Q = 38: 13.176 against 12.940; 39: 12.705 against 13.184; so 38.33 gpm
//	               (2,300 gph of the 3,600 on the label, 64 %) at 13.02 ft, 5.02 of it friction
//	velocity       0.4085·38.33/1.610² = 6.04 ft/s
//	draw-down      15.667/38.33 min = 24.5 s; 8 in in it = 0.326 in/s
//	half capacity  run 2V/Q = 49.0 s; cycle 4V/Q = 98.1 s; 3600/98.1 = 36.7 starts an hour
//	reserve        6 in = 11.750 gal at 19.17 gpm = 36.8 s
//	floor          14 gpm·1.04 = 14.56 gpm; 1 − 14.56/38.33 = 62 % left
//	exhaust        1040/50 = 20.8 cfm; 22·60/(1040·3) = 0.423 air changes an hour
//	dehumidifier   70·1.04 = 72.8 pint/day; at 65 °F and 50 %RH 0.4454·90 = 40.1 pint/day
//	condensate     90/8/15.667 = 0.718 cycles a day
func TestHealthyProperty(t *testing.T) {
	t.Parallel()
	r := Check(healthy())
	compare(t, r, []want{
		{"basin-diameter", OK, 24, in, 1e-9},
		{"basin-depth", OK, 30, in, 1e-9},
		{"storage", OK, 15.667, gal, 0.001},
		{"high-water-gap", OK, 6, in, 1e-9},
		{"reserve-time", OK, 36.8, 1, 0.05},
		{"pump-flow", OK, 38.33, gpm, 0.01},
		{"flow-share", OK, 63.9, 1, 0.05},
		{"total-head", OK, 13.02, ft, 0.01},
		{"friction-head", OK, 5.02, ft, 0.01},
		{"velocity", OK, 6.04, ft, 0.01},
		{"flow-for-floor", OK, 38.33, gpm, 0.01},
		{"fall-rate", OK, 0.326, 25.4, 0.001},
		{"draw-down", OK, 24.5, 1, 0.05},
		{"run-at-half", OK, 49.0, 1, 0.1},
		{"min-cycle", OK, 98.1, 1, 0.1},
		{"starts-at-half", OK, 36.7, 1, 0.05},
		{"condensate-cycles", OK, 0.718, 1, 0.001},
		{"back-drain", OK, 0, 1, 0},
		{"back-drain-share", OK, 0, 1, 0},
		{"motor-start-limit", NotChecked, 0, 0, 0},
		{"backup-flow", NotChecked, 0, 0, 0},
		{"exhaust-flow", OK, 22, cfm, 1e-9},
		{"air-changes", OK, 0.423, 1, 0.001},
		{"moisture-control", OK, 0, 0, 0},
		{"dehumidifier-capacity", OK, 90, pint, 1e-9},
		{"dehumidifier-at-setpoint", OK, 40.1, pint, 0.05},
		{"setpoint", OK, 50, 1, 0},
		{"dehumidifier-drain", OK, 0, 0, 0},
	})
	if r.Status() != OK {
		t.Errorf("status %s, want ok", r.Status())
	}
	seconds, ok := DrawDown(*healthy().Sump)
	if !ok || math.Abs(seconds-24.52) > 0.01 {
		t.Errorf("DrawDown %g s, %v; want 24.52", seconds, ok)
	}
	if v, ok := StorageL(*healthy().Sump); !ok || math.Abs(v-15.6672*gal) > 0.001 {
		t.Errorf("StorageL %g L, %v; want %g", v, ok, 15.6672*gal)
	}
}

// undersized is testdata/properties/undersized-pump.yaml.
func undersized() site.Property {
	return site.Property{
		ID: "plover-lane-11", Name: "11 Plover Lane", Units: site.US,
		Space:        &site.Space{FloorAreaM2: 1400 * ft2, HeightM: 3.5 * ft},
		Dehumidifier: &site.Dehumidifier{SetpointRHPct: 50, CapacityLPerDay: 100 * pint, DrainsTo: "sump"},
		ExhaustFan:   &site.ExhaustFan{FlowLps: 28 * cfm},
		Sump: &site.Sump{
			BasinDiameterM: 18 * in, BasinDepthM: 22 * in, FloatOnM: 10 * in, FloatOffM: 7 * in, HighWaterM: 11 * in,
			Pump:         &site.Pump{RatedFlowLps: 20 * gpm, AtHeadM: 5 * ft, ShutoffHeadM: 12 * ft},
			Discharge:    &site.Discharge{Pipe: "pvc-sch40-1.25in", LengthM: 45 * ft, LiftM: 10 * ft, Elbows: 5},
			WaterHistory: "flooded",
		},
	}
}

// By hand, for 11 Plover Lane:
//
//	storage     π/4·18²·3/231 = 3.305 gal
//	pipe        45 ft + 5·30·1.380/12 = 62.25 ft
//	pump        12 − 7(Q/20)² ft; line 10 + 0.6225·0.2083(2/3)^1.852 Q^1.852/1.38^4.8655
//	            Q = 8: 10.880 against 10.601; 9: 10.583 against 10.747; so 8.64 gpm (518 gph
//	            of the 1,200 on the label, 43 %) at 10.69 ft
//	velocity    0.4085·8.642/1.380² = 1.85 ft/s, under 2
//	draw-down   3.305/8.642 min = 22.9 s; cycle at half 91.8 s; 39.2 starts an hour
//	back-drain  π/4·1.380²·540/231 = 3.497 gal, 105.8 % of the storage: it never stops
//	floor       8 gpm·1.4 = 11.2 gpm even in clay; 8.64 is 77 % of it
//	high water  11 − 10 = 1 in above float-on
//	exhaust     1400/50 = 28 cfm; dehumidifier 70·1.4 = 98 pint/day
func TestUndersizedPump(t *testing.T) {
	t.Parallel()
	r := Check(undersized())
	compare(t, r, []want{
		{"basin-diameter", OK, 18, in, 1e-9},
		{"basin-depth", NotMet, 22, in, 1e-9},
		{"storage", OK, 3.305, gal, 0.001},
		{"high-water-gap", Attention, 1, in, 1e-9},
		{"pump-flow", OK, 8.64, gpm, 0.005},
		{"flow-share", OK, 43.2, 1, 0.05},
		{"total-head", OK, 10.69, ft, 0.005},
		{"velocity", Attention, 1.85, ft, 0.005},
		{"flow-for-floor", NotMet, 8.64, gpm, 0.005},
		{"draw-down", OK, 22.9, 1, 0.05},
		{"min-cycle", OK, 91.8, 1, 0.05},
		{"starts-at-half", OK, 39.2, 1, 0.05},
		{"back-drain", Attention, 3.497, gal, 0.001},
		{"back-drain-share", NotMet, 105.8, 1, 0.05},
		{"exhaust-flow", OK, 28, cfm, 1e-9},
		{"dehumidifier-capacity", OK, 100, pint, 1e-9},
	})
	if r.Status() != NotMet {
		t.Errorf("status %s, want not-met", r.Status())
	}
}

// noExhaust is testdata/properties/no-exhaust.yaml.
func noExhaust() site.Property {
	return site.Property{
		ID: "sandpiper-walk-2", Name: "2 Sandpiper Walk", Units: site.US,
		Space:      &site.Space{FloorAreaM2: 1500 * ft2, HeightM: 4 * ft},
		ExhaustFan: &site.ExhaustFan{FlowLps: 12 * cfm},
	}
}

// By hand, for 2 Sandpiper Walk: 1500/50 = 30 cfm (the public worked example of IRC
// R408.3 item 2.1); 12 cfm is 40 % of it. 12·60/(1500·4) = 0.12 air changes an hour.
// Were it vented, 1500/150 = 10 ft² of vents. No dehumidifier, no sump: not checked.
func TestUnventedWithTooLittleExhaust(t *testing.T) {
	t.Parallel()
	r := Check(noExhaust())
	compare(t, r, []want{
		{"exhaust-flow", NotMet, 12, cfm, 1e-9},
		{"air-changes", OK, 0.12, 1, 0.0005},
		{"moisture-control", NotMet, 0, 0, 0},
		{"vent-area-if-vented", NotChecked, 10, ft2, 1e-9},
		{"dehumidifier", NotChecked, 0, 0, 0},
		{"sump", NotChecked, 0, 0, 0},
	})
	f, _ := r.Find("exhaust-flow")
	if f.Requirement == nil || math.Abs(f.Requirement.Value/cfm-30) > 1e-9 || !strings.Contains(f.Verdict, "40 %") {
		t.Errorf("exhaust requirement %+v, verdict %q; want 30 cfm and 40 %%", f.Requirement, f.Verdict)
	}
}

// The property files say the same as the structs above, so the figures worked by hand are
// those that the files give.
func TestPropertyFilesGiveTheSameFigures(t *testing.T) {
	t.Parallel()
	for file, p := range map[string]site.Property{
		"sealed-healthy.yaml": healthy(), "undersized-pump.yaml": undersized(), "no-exhaust.yaml": noExhaust(),
	} {
		data, err := os.ReadFile("../../../testdata/properties/" + file)
		if err != nil {
			t.Fatal(err)
		}
		read, err := site.ParseProperty(data, file)
		if err != nil {
			t.Fatal(err)
		}
		got, want := Check(read), Check(p)
		if len(got.Figures) != len(want.Figures) || got.Property != want.Property || got.Name != want.Name {
			t.Fatalf("%s: %d figures of %s, want %d of %s", file, len(got.Figures), got.Name, len(want.Figures), want.Name)
		}
		for i, f := range got.Figures {
			w := want.Figures[i]
			if f.Name != w.Name || f.Status != w.Status || math.Abs(f.Value-w.Value) > 1e-9*math.Abs(w.Value) {
				t.Errorf("%s: %s %s %g, want %s %s %g", file, f.Name, f.Status, f.Value, w.Name, w.Status, w.Value)
			}
		}
	}
}

// The example of a 3,600 gph pump in an 18-in basin with 6 in between the floats: 6.61
// gal in 10.3 s, 87 starts an hour at half capacity, above this property's limit of 60.
func TestNarrowBasinCallsForAttention(t *testing.T) {
	t.Parallel()
	p := healthy()
	p.Sump.BasinDiameterM, p.Sump.FloatOnM = 18*in, 12*in
	compare(t, Check(p), []want{
		{"storage", OK, 6.610, gal, 0.001},
		{"fall-rate", OK, 0.580, 25.4, 0.001},
		{"draw-down", OK, 10.35, 1, 0.01},
		{"starts-at-half", Attention, 87.0, 1, 0.05},
	})
}

func TestPumpThatCannotLift(t *testing.T) {
	t.Parallel()
	p := healthy()
	p.Sump.Discharge.LiftM = 22 * ft
	compare(t, Check(p), []want{
		{"pump-flow", NotMet, 0, 1, 0},
		{"flow-share", NotMet, 0, 1, 0},
		{"draw-down", NotChecked, 0, 0, 0},
		{"starts-at-half", NotChecked, 0, 0, 0},
	})
	if _, ok := DrawDown(*p.Sump); ok {
		t.Error("a pump that lifts nothing has a draw-down time")
	}
}

func TestPublishedVentilation(t *testing.T) {
	t.Parallel()
	f, err := os.Open("../../../testdata/published/ventilation.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil || len(rows) < 2 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	for _, x := range rows[1:] {
		area, _ := strconv.ParseFloat(x[1], 64)
		value, _ := strconv.ParseFloat(x[2], 64)
		p := site.Property{
			Space: &site.Space{FloorAreaM2: area * ft2}, ExhaustFan: &site.ExhaustFan{FlowLps: 1},
			Dehumidifier: &site.Dehumidifier{CapacityLPerDay: 1},
		}
		names := map[string]string{"exhaust": "exhaust-flow", "vent_area": "vent-area-if-vented", "dehumidifier": "dehumidifier-capacity"}
		units := map[string]float64{"cfm": cfm, "ft2": ft2, "pint_per_day": pint}
		figure, _ := Check(p).Find(names[x[0]])
		got := figure.Value
		if figure.Requirement != nil {
			got = figure.Requirement.Value
		}
		if math.Abs(got/units[x[3]]-value) > 1e-9*value {
			t.Errorf("%s for %s ft²: %g %s, want %g (%s)", x[0], x[1], got/units[x[3]], x[3], value, x[5])
		}
	}
}

// Whatever is left out is not checked, and nothing is NaN or missing its words.
func TestWhatIsLeftOutIsNotChecked(t *testing.T) {
	t.Parallel()
	cases := map[string]site.Property{"empty": {ID: "x"}}
	p := healthy()
	p.Sump = &site.Sump{}
	cases["empty sump"] = p
	p = healthy()
	p.Space, p.Dehumidifier = nil, &site.Dehumidifier{}
	p.Sump.Pump = &site.Pump{RatedFlowLps: 1}
	p.Sump.Discharge = &site.Discharge{Pipe: "unknown"}
	cases["halves"] = p
	for name, p := range cases {
		r := Check(p)
		for _, f := range r.Figures {
			if f.Status == NotMet || f.Verdict == "" || f.Label == "" || math.IsNaN(f.Value) || math.IsInf(f.Value, 0) {
				t.Errorf("%s: %+v", name, f)
			}
		}
		if _, err := json.Marshal(r); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if len(r.Cautions) < 2 {
			t.Errorf("%s: cautions %q", name, r.Cautions)
		}
	}
	if got := Check(cases["empty"]).Status(); got != NotChecked {
		t.Errorf("empty property is %s", got)
	}
}

// What the file says but cannot be is not met, with the reason.
func TestImpossibleDescriptions(t *testing.T) {
	t.Parallel()
	p := healthy()
	p.Sump.FloatOffM = 20 * in
	p.Sump.HighWaterM = 10 * in
	compare(t, Check(p), []want{
		{"storage", NotMet, 0, 0, 0},
		{"high-water-gap", NotMet, -4, in, 1e-9},
	})
	p = healthy()
	p.Sump.HighWaterM = 31 * in
	compare(t, Check(p), []want{{"high-water-gap", NotMet, 17, in, 1e-9}})
	p.Sump = nil
	compare(t, Check(p), []want{{"dehumidifier-drain", NotMet, 0, 0, 0}})
}
