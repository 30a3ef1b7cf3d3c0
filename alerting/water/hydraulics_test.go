package water

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s = %.6g, want %.6g ± %g", what, got, want, tolerance)
	}
}

// A 3,600 gph (60 gpm) pump at 0 ft with a shut-off head of 22 ft, through 35 ft of
// 1-1/2 in pipe with 3 elbows and a check valve, lift 8 ft. By hand: fittings 3·30·1.610
// + 100·1.610 in = 25.49 ft, so 60.49 ft in all. At 37 gpm the pump gives 22(1 −
// (37/60)²) = 13.634 ft; the line asks for 8 + 0.6049·0.2083(2/3)^1.852·37^1.852/
// 1.61^4.8655 = 8 + 0.6049·7.773 = 12.702. At 38: 13.176 and 8 + 0.6049·8.167 = 12.940.
// At 39: 12.705 and 13.184. The difference goes 0.932, 0.236, −0.479: the curves meet at
// 38.33 gpm, 64 % of the rating.
func TestOperatingPointOfARatedPump(t *testing.T) {
	t.Parallel()
	c, err := ParabolaCurve(60*lpsPerGpm, 0, 22*metersPerFoot)
	if err != nil {
		t.Fatal(err)
	}
	l := Line{InsideDiameterM: 1.610 * metersPerInch, LengthM: 35 * metersPerFoot, LiftM: 8 * metersPerFoot, Elbows: 3, CheckValve: true}
	near(t, "equivalent length, ft", l.EquivalentLengthM()/metersPerFoot, 60.49, 0.01)
	at, err := OperatingPoint(c, l)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "flow, gpm", at.FlowLps/lpsPerGpm, 38.33, 0.02)
	near(t, "head, ft", at.HeadM/metersPerFoot, 13.02, 0.02)
}

// Without lift or friction to speak of, the pump works at the end of its parabola.
func TestOperatingPointAtTheEndOfTheCurve(t *testing.T) {
	t.Parallel()
	c, err := ParabolaCurve(1, 1, 8.3125)
	if err != nil {
		t.Fatal(err)
	}
	at, err := OperatingPoint(c, Line{InsideDiameterM: 0.08, LiftM: 4.4e-16, LengthM: 1.8e-12})
	_, most := c.FlowRangeLps()
	if err != nil || math.Abs(at.FlowLps-most) > 1e-9 {
		t.Errorf("%+v, %v; want %g L/s", at, err, most)
	}
}

func TestListedCurve(t *testing.T) {
	t.Parallel()
	c, err := PointCurve([]CurvePoint{{3, 2}, {0, 6}, {2, 4}})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "head between points", c.HeadM(1), 5, 1e-12)
	near(t, "head at a point", c.HeadM(2), 4, 1e-12)
	wide := Line{InsideDiameterM: 0.5, LengthM: 1, LiftM: 3} // no friction to speak of
	at, err := OperatingPoint(c, wide)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "flow against 3 m", at.FlowLps, 2.5, 1e-3)
	wide.LiftM = 1
	if at, err = OperatingPoint(c, wide); !errors.Is(err, ErrBeyondCurve) || at.FlowLps != 3 {
		t.Errorf("beyond the listed points: %+v, %v", at, err)
	}
	wide.LiftM = 6
	if _, err = OperatingPoint(c, wide); !errors.Is(err, ErrNoFlow) {
		t.Errorf("lift at shut-off head: %v", err)
	}
}

func TestImpossibleInputIsAnError(t *testing.T) {
	t.Parallel()
	nan := math.NaN()
	bad := []error{}
	add := func(_ float64, err error) { bad = append(bad, err) }
	add(Basin{DiameterM: nan}.StorageL(0.1, 0.3))
	add(Basin{DiameterM: 0.4}.StorageL(0.3, 0.1))
	add(Basin{DiameterM: 0.4}.StorageL(-0.1, 0.3))
	add(Basin{DiameterM: 0.4, DepthM: 0.2}.StorageL(0.1, 0.3))
	add(Basin{DiameterM: 0.4, TopDiameterM: 0.5}.StorageL(0.1, 0.3))
	add(Basin{DiameterM: 0.4, DisplacementL: 500}.StorageL(0.1, 0.3))
	add(DrawDownSeconds(10, 1, 1))
	add(DrawDownSeconds(10, nan, 0))
	add(CycleSeconds(10, 1, 0))
	add(MinCycleSeconds(0, 1))
	add(InflowLps(10, 0))
	add(PumpFlowLps(10, math.Inf(1), 0))
	add(CapacityMargin(0, 1))
	add(DehumidifierShare(-5, 50))
	add(DehumidifierShare(20, nan))
	add(MoistureLoadLPerDay(10, nan, 20))
	add(MoistureLoadLPerDay(-1, 100, 20))
	_, err := ParabolaCurve(1, 5, 5)
	bad = append(bad, err)
	_, err = PointCurve([]CurvePoint{{0, 5}})
	bad = append(bad, err)
	_, err = PointCurve([]CurvePoint{{0, 5}, {1, 5}})
	bad = append(bad, err)
	_, err = OperatingPoint(Curve{shutoffM: 5, slope: 1}, Line{})
	bad = append(bad, err)
	for i, err := range bad {
		if err == nil {
			t.Errorf("case %d was accepted", i)
		}
	}
}

// Frustum by hand: 0.4 m at the floor, 0.6 m at 0.6 m: between 0.15 and 0.45 m the
// diameters are 0.45 and 0.55 m, V = π·0.3(0.2025 + 0.2475 + 0.3025)/12 = 59.10 L.
func TestTaperedBasin(t *testing.T) {
	t.Parallel()
	v, err := Basin{DiameterM: 0.4, TopDiameterM: 0.6, DepthM: 0.6, DisplacementL: 4}.StorageL(0.15, 0.45)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "storage", v, 59.10-4, 0.005)
}

// Inflow keeps arriving during the run: storage 25 L, rest 100 s, run 12.5 s. Inflow
// 0.25 L/s, so the pump delivers 25/12.5 + 0.25 = 2.25 L/s, not 2.
func TestPumpFlowCountsTheInflow(t *testing.T) {
	t.Parallel()
	q, err := InflowLps(25, 100)
	if err != nil {
		t.Fatal(err)
	}
	flow, err := PumpFlowLps(25, 12.5, q)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "pump flow", flow, 2.25, 1e-12)
	margin, err := CapacityMargin(flow, q)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "capacity margin", margin, 1-0.25/2.25, 1e-12)
}

// Generic curve of NREL/TP-5500-52791: 0.9861 at its rating point (26.667 °C, 60 %RH);
// at 18.333 °C and 50 %RH, term by term: −1.16253 + 0.41644 − 0.03805 + 1.05553 −
// 0.17326 + 0.34727 = 0.4454.
func TestDehumidifierShare(t *testing.T) {
	t.Parallel()
	rated, err := DehumidifierShare(80.0/1.8-32/1.8, 60)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "share at rating", rated, 0.9861, 0.0005)
	cool, err := DehumidifierShare(33/1.8, 50)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "share under a house", cool, 0.4454, 0.0005)
}

// By hand: 10 L/s across 500 Pa at 20 °C: 0.01·500/(461.5·293.15) kg/s = 36.96 mg/s =
// 3.193 L/day.
func TestMoistureLoad(t *testing.T) {
	t.Parallel()
	got, err := MoistureLoadLPerDay(10, 500, 20)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "load", got, 3.193, 0.001)
}

// Whatever pump and line: the operating point lies on both curves, a wider or shorter
// line never delivers less, and the cycle is shortest at half of the flow.
func TestHydraulicsProperties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		float := func(name string, low, high float64) float64 { return rapid.Float64Range(low, high).Draw(t, name) }
		c, err := ParabolaCurve(float("rated", 0.2, 8), float("at head", 0, 4), float("shut-off", 4.1, 20))
		if err != nil {
			t.Fatal(err)
		}
		l := Line{
			InsideDiameterM: float("diameter", 0.02, 0.08), LengthM: float("length", 0, 100),
			LiftM: float("lift", 0, 25), Elbows: rapid.IntRange(0, 10).Draw(t, "elbows"),
		}
		at, err := OperatingPoint(c, l)
		if errors.Is(err, ErrNoFlow) {
			if l.LiftM < c.HeadM(0) {
				t.Fatalf("no flow although %g m < %g m", l.LiftM, c.HeadM(0))
			}
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(c.HeadM(at.FlowLps)-l.HeadM(at.FlowLps)) > 1e-6*l.HeadM(at.FlowLps)+1e-9 {
			t.Fatalf("curves do not meet at %+v", at)
		}
		wider := l
		wider.InsideDiameterM *= 1.2
		if more, err := OperatingPoint(c, wider); err != nil || more.FlowLps < at.FlowLps-1e-9 {
			t.Fatalf("wider pipe delivers %v, %v; narrower %v", more, err, at)
		}
		checkCycles(t, float("storage", 1, 200), at.FlowLps, float("share", 0.01, 0.99))
	})
}

func checkCycles(t *rapid.T, storageL, flowLps, share float64) {
	if flowLps < 1e-6 {
		return
	}
	least, err := MinCycleSeconds(storageL, flowLps)
	if err != nil {
		t.Fatal(err)
	}
	at, err := CycleSeconds(storageL, flowLps, share*flowLps)
	if err != nil {
		t.Fatal(err)
	}
	mirrored, err := CycleSeconds(storageL, flowLps, (1-share)*flowLps)
	if err != nil {
		t.Fatal(err)
	}
	if at < least*(1-1e-9) || math.Abs(at-mirrored) > 1e-6*at {
		t.Fatalf("cycle %g s, mirrored %g s, least %g s", at, mirrored, least)
	}
}
