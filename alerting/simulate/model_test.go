package simulate

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"underkeep/store/site"
)

// ASHRAE Handbook Fundamentals 2017 ch. 1 table 3, over water, Pa. The Magnus
// form of WMO-No. 8 keeps within 0.5 %.
func TestSaturationPressureKeepsToTheTable(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ tempC, pa float64 }{{5, 872.6}, {25, 3169.7}, {50, 12351.3}} {
		if got := saturationPa(c.tempC); math.Abs(got/c.pa-1) > 0.005 {
			t.Errorf("saturation at %g °C = %.1f Pa, table %.1f", c.tempC, got, c.pa)
		}
	}
	for _, tempC := range []float64{-5, 0, 12.5, 30} {
		if got := dewPointC(saturationPa(tempC)); math.Abs(got-tempC) > 1e-9 {
			t.Errorf("dew point of saturated air at %g °C = %g", tempC, got)
		}
	}
}

// Wood Handbook FPL-GTR-190 table 4-2 at 70 °F, from memory.
func TestWoodKeepsToTheHandbook(t *testing.T) {
	t.Parallel()
	for rh, pct := range map[float64]float64{30: 6.2, 40: 7.7, 50: 9.2, 60: 11.0, 70: 13.1, 80: 16.0, 90: 20.5} {
		if got := woodMoisturePct(rh); math.Abs(got-pct) > 0.45 {
			t.Errorf("wood at %g %%RH = %.2f %%, table %.1f", rh, got, pct)
		}
		if back := 100 * woodRH(woodMoisturePct(rh)); math.Abs(back-rh) > 1e-9 {
			t.Errorf("wood in equilibrium at %g %%RH gives back %g", rh, back)
		}
	}
}

// Illinois Administrative Code 77 part 906 app. A exhibit I: ft per 100 ft in
// Schedule 40 plastic, C = 150.
func TestFrictionKeepsToTheTable(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		pipe     string
		gpm, per float64
	}{{"pvc-sch40-1.5in", 20, 2.46}, {"pvc-sch40-1.5in", 30, 5.22}, {"pvc-sch40-2in", 20, 0.74}, {"pvc-sch40-2in", 40, 2.62}} {
		_, friction := lineLoss(&site.Discharge{Pipe: c.pipe, LengthM: 100 * foot})
		got := friction(c.gpm*gallon/60) / foot
		if math.Abs(got/c.per-1) > 0.03 {
			t.Errorf("%s at %g gpm loses %.3f ft per 100 ft, table %.2f", c.pipe, c.gpm, got, c.per)
		}
	}
}

// t = V/(Q-q) + V/q, MIL-HDBK-1005/9A eq. 1: 5 gal between the floats, 30 gpm.
func TestCycleTimeByHand(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ inflowGPM, minutes float64 }{{5, 1.2}, {10, 0.75}, {15, 0.66667}, {20, 0.75}} {
		b := basin{present: true, areaM2: 5 * gallon / 1000 / 0.1, depthM: 1, level: 0.2,
			primary: unit{flowLps: 30 * gallon / 60, on: 0.2, off: 0.1}}
		tr := trouble{power: true, flowFactor: 1}
		for m := range int64(60) {
			b.step(m*60000, c.inflowGPM*gallon/60, &tr)
		}
		n := len(b.primary.cycles)
		mean := float64(b.primary.cycles[n-1].StartMS-b.primary.cycles[0].StartMS) / 60000 / float64(n-1)
		if math.Abs(mean-c.minutes) > 0.003 {
			t.Errorf("inflow %g gpm: a cycle takes %.4f min, by hand %.4f", c.inflowGPM, mean, c.minutes)
		}
	}
}

// Rain of 2013 by the data's own description: EWR 1,115 mm, JFK 881, LGA 969.
func TestMeasuredRainKeepsItsTotals(t *testing.T) {
	t.Parallel()
	for station, mm := range map[Station]float64{Newark: 1115, Kennedy: 881, LaGuardia: 969} {
		r := MeasuredRain(station, 0)
		sum := 0.0
		for s := int64(0); s < hoursAYear*3600; s += rainStep {
			sum += r.DepthMM(epoch2013 + s)
		}
		if math.Abs(sum-mm) > 1 {
			t.Errorf("%s: %.1f mm in the year, measured %.0f", station, sum, mm)
		}
	}
	// A shift by whole days moves the year and nothing else.
	a, b := MeasuredRain(Newark, 0), MeasuredRain(Newark, 40*24*time.Hour)
	for s := int64(0); s < 30*86400; s += rainStep {
		if a.DepthMM(epoch2013+40*86400+s) != b.DepthMM(epoch2013+s) {
			t.Fatal("a shifted year is not the same rain")
		}
	}
}

// Newark on 2013-01-01 06Z: 39.02 °F and a dew point of 26.06 °F.
func TestMeasuredWeatherAtAnHour(t *testing.T) {
	t.Parallel()
	tempC, pa := MeasuredWeather(Newark, 0).At(time.Date(2013, 1, 1, 6, 0, 0, 0, time.UTC).Unix())
	if math.Abs(tempC-3.9) > 0.05 || math.Abs(dewPointC(pa)+3.3) > 0.05 {
		t.Errorf("%.2f °C, dew point %.2f °C", tempC, dewPointC(pa))
	}
}

// Water in = water out + water that stands in the basin.
func TestBasinKeepsItsWater(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		s := Cottage{ID: "w-1"}.sump()
		b := newBasin(s)
		tr := trouble{power: rapid.Bool().Draw(t, "power"), flowFactor: rapid.Float64Range(0.05, 1).Draw(t, "flow")}
		start := b.level
		in, out := 0.0, 0.0
		for m := range int64(240) {
			q := rapid.Float64Range(0, 0.8).Draw(t, "inflow")
			b.step(m*60000, q, &tr)
			in += q * 60
		}
		for _, c := range b.primary.cycles {
			out += c.LitresIn
		}
		if b.primary.running {
			out += b.primary.pumpedL
		}
		held := (b.level-start)*b.areaM2*1000 + b.overflowL
		if math.Abs(in-out-held) > 0.02*math.Max(in, 1) {
			t.Fatalf("in %.2f L, out %.2f L, held %.2f L", in, out, held)
		}
	})
}

func testSpace(seed uint64, from time.Time, faults ...Fault) *Space {
	c := Cottage{ID: "s-1", Name: "s", Installed: from.AddDate(0, -1, 0), Fan: true, Duct: true, Wood: true, Leak: true, Mains: true, Battery: true, PumpOn: true, Backup: true, Level: true, WaterHistory: "flooded"}
	return NewSpace(Config{Property: c.Property(), From: from, Faults: faults}, seed)
}

func gatherPayloads(s *Space, to time.Time, step time.Duration) []string {
	var out []string
	for at := s.Now(); at.Before(to); {
		at = at.Add(step)
		if at.After(to) {
			at = to
		}
		s.Advance(at, func(m Message) { out = append(out, m.Received.String()+" "+m.Topic+" "+string(m.Payload)) })
	}
	return out
}

// The same seed gives the same messages, however the steps are cut.
func TestStepsDoNotMatter(t *testing.T) {
	t.Parallel()
	from := time.Date(2013, 6, 7, 0, 0, 0, 0, time.UTC)
	fault := Fault{Kind: UplinkDown, From: from.Add(20 * time.Hour), Until: from.Add(30 * time.Hour)}
	a := gatherPayloads(testSpace(9, from, fault), from.AddDate(0, 0, 3), 72*time.Hour)
	b := gatherPayloads(testSpace(9, from, fault), from.AddDate(0, 0, 3), 7*time.Minute+13*time.Second)
	if len(a) != len(b) {
		t.Fatalf("%d messages in one step, %d in many", len(a), len(b))
	}
	for i := range a {
		if a[i] != b[i] {
			t.Fatalf("message %d differs:\n%s\n%s", i, a[i], b[i])
		}
	}
	if c := gatherPayloads(testSpace(10, from, fault), from.AddDate(0, 0, 3), 72*time.Hour); len(c) > 40 && c[40] == a[40] {
		t.Error("another seed gives the same readings")
	}
}

// Every pack is JSON with names, units and absolute times as the contract says.
func TestPacksAreWhatTheContractSays(t *testing.T) {
	t.Parallel()
	from := time.Date(2013, 6, 7, 0, 0, 0, 0, time.UTC)
	s := testSpace(3, from, Fault{Kind: PumpSeized, From: from.Add(30 * time.Hour)})
	known := map[string]site.Spec{}
	for _, pt := range s.property.Points {
		for _, q := range pt.Measures {
			known[pt.ID+"/"+q.String()] = q.Spec()
		}
	}
	seen := map[string]bool{}
	last := time.Time{}
	s.Advance(from.AddDate(0, 0, 4), func(m Message) {
		if m.Received.Before(last) {
			t.Fatalf("received %s after %s", m.Received, last)
		}
		last = m.Received
		if !m.Presence {
			checkPack(t, m, known, seen)
		}
	})
	for name := range known {
		if !seen[name] {
			t.Errorf("%s never reported", name)
		}
	}
}

func checkPack(t *testing.T, m Message, known map[string]site.Spec, seen map[string]bool) {
	t.Helper()
	var pack []struct {
		BT float64  `json:"bt"`
		N  string   `json:"n"`
		U  string   `json:"u"`
		T  float64  `json:"t"`
		V  *float64 `json:"v"`
		VB *bool    `json:"vb"`
	}
	if err := json.Unmarshal(m.Payload, &pack); err != nil {
		t.Fatalf("%s: %v", m.Payload, err)
	}
	i, base := 0, pack[0].BT
	m.Each(func(r Reading) {
		p := pack[i]
		i++
		spec, ok := known[p.N]
		if !ok || p.N != r.Point+"/"+r.Quantity.String() {
			t.Fatalf("name %q of %+v", p.N, r)
		}
		seen[p.N] = true
		if at := base + p.T; math.Abs(at-float64(r.At.UnixMilli())/1000) > 1e-6 || at > float64(m.Received.UnixMilli())/1000 {
			t.Fatalf("time %f of %+v received %s", at, r, m.Received)
		}
		v := 0.0
		switch {
		case spec.Boolean:
			if p.VB == nil || p.U != "" {
				t.Fatalf("not a Boolean: %+v", p)
			}
			v = flag(*p.VB)
		case p.V == nil || p.U != spec.Units[0]:
			t.Fatalf("value or unit of %+v", p)
		default:
			v = *p.V
		}
		if math.Abs(v-r.Value) > 1e-9 || v < spec.Min || v > spec.Max {
			t.Fatalf("value %g of %+v", v, r)
		}
	})
	if i != len(pack) {
		t.Fatalf("%d records of %d", i, len(pack))
	}
}

// Worked by hand with the ideal gas law: 12 L of vapour a day in 100 m3 at 20 °C
// that outdoor air changes once an hour. The air carries
// 100/3600/(461.5·293.15) = 2.053e-7 kg/(s Pa), so that 12/86400 kg/s stand
// 676 Pa above outdoors.
func TestClimateSettlesWhereTheBalanceSays(t *testing.T) {
	t.Parallel()
	c := climate{areaM2: 100, volumeM3: 100, vapourPa: 1000, airC: 20, groundC: 20, woodPct: 9, corePct: 9}
	d := drives{outC: 20, outPa: 900, houseC: 20, housePa: 900, deepC: 20, openingACH: 1, dripKg: 12.0 / 86400, woodKg: 60}
	for range 400 * 1440 { // until the wood's core has followed
		c.step(&d)
	}
	if math.Abs(c.vapourPa-1576) > 1 || math.Abs(c.airC-20) > 0.01 {
		t.Errorf("%.1f Pa at %.2f °C, by hand 1576 Pa at 20", c.vapourPa, c.airC)
	}
}

// Nothing enters and nothing leaves: what the wood gives up, the air holds.
func TestClosedSpaceKeepsItsWater(t *testing.T) {
	t.Parallel()
	c := climate{areaM2: 100, volumeM3: 100, vapourPa: 600, airC: 20, groundC: 20, woodPct: 14, corePct: 10}
	d := drives{outC: 20, outPa: 900, houseC: 20, housePa: 900, deepC: 20, woodKg: 250}
	held := func() float64 {
		return c.vapourPa*c.volumeM3/(gasVapour*(273.15+c.airC)) + d.woodKg*c.woodPct/100 + d.woodKg*coreShare*c.corePct/100
	}
	before, dry := held(), c.vapourPa
	for range 10 * 1440 {
		c.step(&d)
	}
	if math.Abs(held()-before) > 0.01 {
		t.Errorf("%.3f kg before, %.3f kg after", before, held())
	}
	if c.vapourPa < 1.2*dry {
		t.Errorf("the wood gave nothing: %.0f Pa", c.vapourPa)
	}
}
