package air

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// hidden draws conditions from within an envelope, its corners more often than not.
func hidden(t *rapid.T, e Envelope) (tempC, rhPct float64) {
	pick := func(lo, hi float64, name string) float64 {
		inside := []float64{lo, hi}
		for _, v := range []float64{7, 17.1, 20, math.Nextafter(20, 21), 22.85} {
			if v > lo && v < hi {
				inside = append(inside, v)
			}
		}
		return rapid.OneOf(rapid.SampledFrom(inside), rapid.Float64Range(lo, hi)).Draw(t, name)
	}
	return pick(e.MinTempC, e.MaxTempC, "hidden tempC"), pick(e.MinRHPct, e.MaxRHPct, "hidden rhPct")
}

// damp draws temperatures and RH around where growth begins and ends.
func damp(t *rapid.T) (tempC, rhPct float64) {
	return rapid.Float64Range(-5, 55).Draw(t, "tempC"), rapid.Float64Range(60, 100).Draw(t, "rhPct")
}

// Whatever the weather did in the gaps, the index that a sensor would have given
// lies between the bounds, then and ever after; for every class and form.
func TestMoldBoundsHoldTheTruth(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		m := anyOptions(t)
		truth := MoldState{Index: rapid.Float64Range(0, 6).Draw(t, "index"), DryHours: float64(rapid.IntRange(0, 30).Draw(t, "dry"))}
		track := StartMoldTrack(truth)
		for range rapid.IntRange(1, 12).Draw(t, "periods") {
			hours := rapid.IntRange(1, 60).Draw(t, "hours")
			if rapid.Bool().Draw(t, "gap") {
				truth = throughGap(t, m, truth, &track, hours)
			} else {
				tempC, rhPct := damp(t)
				for range hours {
					truth = m.Step(truth, tempC, rhPct)
					m.Track(&track, tempC, rhPct)
				}
			}
			const rounding = 1e-12
			if truth.Index < track.Low-rounding || truth.Index > track.High+rounding {
				t.Fatalf("the truth %+v lies outside %+v", truth, track)
			}
			if truth.DryHours < track.MinDryHours || truth.DryHours > track.MaxDryHours {
				t.Fatalf("the dry hours of %+v lie outside %+v", truth, track)
			}
		}
	})
}

// The same in one step, which is the induction the bounds rest on: from any state
// between any bounds, the edges of the model more often than not, one hour leads to
// a state between the new bounds.
func TestMoldBoundsHoldForAnHour(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		m := anyOptions(t)
		index := rapid.OneOf(rapid.Float64Range(0, 6), rapid.Float64Range(0.99, 1.01),
			rapid.SampledFrom([]float64{0, 1, math.Nextafter(1, 0), 6}))
		hours := rapid.IntRange(0, 30)
		truth := MoldState{Index: index.Draw(t, "truth"), DryHours: float64(hours.Draw(t, "dry"))}
		track := MoldTrack{
			Low: min(truth.Index, index.Draw(t, "low")), High: max(truth.Index, index.Draw(t, "high")),
			MinDryHours: min(truth.DryHours, float64(hours.Draw(t, "min dry"))),
			MaxDryHours: max(truth.DryHours, float64(hours.Draw(t, "max dry"))),
		}
		e := edges(t)
		tempC, rhPct := hidden(t, e)
		next := m.Step(truth, tempC, rhPct)
		if e.MinTempC == e.MaxTempC && e.MinRHPct == e.MaxRHPct {
			m.Track(&track, tempC, rhPct)
		} else if err := m.TrackGap(&track, 1, e); err != nil {
			t.Fatal(err)
		}
		const rounding = 1e-12
		if next.Index < track.Low-rounding || next.Index > track.High+rounding ||
			next.DryHours < track.MinDryHours || next.DryHours > track.MaxDryHours {
			t.Fatalf("at %g °C %g %%RH %+v became %+v, outside %+v", tempC, rhPct, truth, next, track)
		}
	})
}

// Growth slows at index 1 in some classes, so that an index just below it overtakes
// one just above: the bounds have to cover both.
func TestMoldBoundsAcrossIndex1(t *testing.T) {
	t.Parallel()
	for c := VerySensitive; c <= Resistant; c++ {
		m := model(t, MoldOptions{Class: c, Decline: 1})
		below := MoldState{Index: math.Nextafter(1, 0)}
		at := MoldState{Index: 1}
		track := MoldTrack{Low: below.Index, High: at.Index}
		m.Track(&track, 30, 99)
		for _, s := range []MoldState{m.Step(below, 30, 99), m.Step(at, 30, 99)} {
			if s.Index < track.Low || s.Index > track.High {
				t.Errorf("%s: index %.9f outside %.9f to %.9f", c, s.Index, track.Low, track.High)
			}
		}
	}
}

// edges draws an envelope whose sides are often where the model turns: the ends of
// growth, the switches and turning points of the critical RH, its floors.
func edges(t *rapid.T) Envelope {
	temp := rapid.OneOf(rapid.Float64Range(-5, 55), rapid.Float64Range(15, 25),
		rapid.SampledFrom([]float64{-5, 0, 7, 17.1, 20, 22.85, 50, 55}))
	rh := rapid.OneOf(rapid.Float64Range(60, 100), rapid.Float64Range(79.8, 85.2), rapid.SampledFrom([]float64{80, 85, 100}))
	aT, bT, aRH, bRH := temp.Draw(t, "temp a"), temp.Draw(t, "temp b"), rh.Draw(t, "rh a"), rh.Draw(t, "rh b")
	if rapid.IntRange(0, 3).Draw(t, "measured") == 0 {
		bT, bRH = aT, aRH
	}
	return Envelope{MinTempC: min(aT, bT), MaxTempC: max(aT, bT), MinRHPct: min(aRH, bRH), MaxRHPct: max(aRH, bRH)}
}

// throughGap moves the truth through weather that changes twice inside an envelope,
// and the track through the envelope.
func throughGap(t *rapid.T, m *MoldModel, truth MoldState, track *MoldTrack, hours int) MoldState {
	aT, aRH := damp(t)
	bT, bRH := damp(t)
	e := Envelope{MinTempC: min(aT, bT), MaxTempC: max(aT, bT), MinRHPct: min(aRH, bRH), MaxRHPct: max(aRH, bRH)}
	first := rapid.IntRange(0, hours).Draw(t, "first")
	tempC, rhPct := hidden(t, e)
	for range first {
		truth = m.Step(truth, tempC, rhPct)
	}
	tempC, rhPct = hidden(t, e)
	for range hours - first {
		truth = m.Step(truth, tempC, rhPct)
	}
	if err := m.TrackGap(track, hours, e); err != nil {
		t.Fatal(err)
	}
	return truth
}

// A gap of which nothing is known is neither good nor bad time: the measured state
// stands still, the bounds part, and the hours are counted.
func TestMoldGapIsOpen(t *testing.T) {
	t.Parallel()
	m := model(t, DefaultMoldOptions())
	track := StartMoldTrack(MoldState{})
	for range 500 {
		m.Track(&track, 20, 95)
	}
	before := track
	if err := m.TrackGap(&track, 24*30, Unknown); err != nil {
		t.Fatal(err)
	}
	if track.State != before.State || track.HoursKnown != 500 || track.HoursUnknown != 720 {
		t.Errorf("%+v became %+v", before, track)
	}
	// 30 days at the greatest decline is 720 h of 0.1 · 0.032/24, since every hour of the
	// gap may have been one of the first six; at the greatest growth it is damp and warm.
	near(t, "low", track.Low, before.Low-720*0.1*0.032/24, 1e-9)
	if track.High < before.High+1 {
		t.Errorf("a month of anything at all raised the worst case only to %g", track.High)
	}
	// An envelope with no room is a measurement, to the last bit.
	known, gap := before, before
	for range 100 {
		m.Track(&known, 12, 91)
	}
	if err := m.TrackGap(&gap, 100, Envelope{12, 12, 91, 91}); err != nil {
		t.Fatal(err)
	}
	if gap.Low != known.Low || gap.High != known.High || gap.MaxDryHours != known.MaxDryHours {
		t.Errorf("measured %+v, enclosed %+v", known, gap)
	}
}

func TestMoldGapRefusesNonsense(t *testing.T) {
	t.Parallel()
	m := model(t, DefaultMoldOptions())
	for _, e := range []Envelope{{10, 5, 50, 60}, {5, 10, 60, 50}, {5, 10, -1, 50}, {5, 200, 50, 60}} {
		var track MoldTrack
		if err := m.TrackGap(&track, 1, e); err == nil || track != (MoldTrack{}) {
			t.Errorf("%+v: %v, %+v", e, err, track)
		}
	}
}
