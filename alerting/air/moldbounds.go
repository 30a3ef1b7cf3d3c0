package air

import (
	"fmt"
	"math"
)

// Envelope is between what limits the conditions on a surface may have been
// while nobody measured them.
type Envelope struct {
	MinTempC float64 `json:"min_temp_c"`
	MaxTempC float64 `json:"max_temp_c"`
	MinRHPct float64 `json:"min_rh_pct"`
	MaxRHPct float64 `json:"max_rh_pct"`
}

// Check refuses limits that are out of range or in the wrong order.
func (e Envelope) Check() error {
	if err := CheckAir(e.MinTempC, e.MinRHPct); err != nil {
		return fmt.Errorf("lower end of the envelope: %w", err)
	}
	if err := CheckAir(e.MaxTempC, e.MaxRHPct); err != nil {
		return fmt.Errorf("upper end of the envelope: %w", err)
	}
	if e.MinTempC > e.MaxTempC || e.MinRHPct > e.MaxRHPct {
		return fmt.Errorf("envelope %+v: a lower end is above its upper end", e)
	}
	return nil
}

// Unknown is the envelope of an hour of which nothing at all is known: as dry
// or as warm and wet as a space under a house can be (0 to 40 °C, 0 to 100 %RH;
// common practice, no source).
var Unknown = Envelope{MinTempC: 0, MaxTempC: 40, MinRHPct: 0, MaxRHPct: 100}

// MoldTrack follows one surface through data and gaps. State is the index over
// the hours that were measured: in a gap it stands still. Low and High are the
// least and the greatest index that any conditions inside the envelopes of the
// gaps could have led to. They meet State while there was no gap, and stay apart
// after one until growth or decline brings them together: a gap is never read as
// good time.
type MoldTrack struct {
	State        MoldState `json:"state"`
	Low          float64   `json:"low"`
	High         float64   `json:"high"`
	MinDryHours  float64   `json:"min_dry_hours"` // how long growth conditions may have been absent
	MaxDryHours  float64   `json:"max_dry_hours"`
	HoursKnown   float64   `json:"hours_known"`
	HoursUnknown float64   `json:"hours_unknown"`
}

// StartMoldTrack is a track that begins at a known state, usually the zero one.
func StartMoldTrack(s MoldState) MoldTrack {
	return MoldTrack{State: s, Low: s.Index, High: s.Index, MinDryHours: s.DryHours, MaxDryHours: s.DryHours}
}

// Track carries t through one measured hour, under the same terms as Step.
func (m *MoldModel) Track(t *MoldTrack, surfaceTempC, surfaceRHPct float64) {
	t.State = m.Step(t.State, surfaceTempC, surfaceRHPct)
	t.HoursKnown++
	crit := m.RHCritPct(surfaceTempC)
	h := moldHour{canGrow: growable(surfaceTempC, surfaceRHPct, crit)}
	h.mustGrow = h.canGrow
	h.best = growthAt{surfaceTempC, surfaceRHPct, crit}
	h.worst = h.best
	m.bound(t, h)
}

// TrackGap carries t through hours (whole ones, at least 0) without data, in
// which the surface stayed within e.
func (m *MoldModel) TrackGap(t *MoldTrack, hours int, e Envelope) error {
	if err := e.Check(); err != nil {
		return fmt.Errorf("mold gap: %w", err)
	}
	h := m.gapHour(e)
	for range hours {
		t.HoursUnknown++
		m.bound(t, h)
	}
	return nil
}

// growthAt are the arguments of growth that bound an hour from one side.
type growthAt struct{ tempC, rhPct, critPct float64 }

// moldHour is what bounds one hour: whether mold could and whether it must have
// grown, and with which slowest and fastest conditions.
type moldHour struct {
	canGrow, mustGrow bool
	best, worst       growthAt
}

// gapHour bounds an hour within an envelope. Growth rises with temperature (below
// 50 °C), with RH and with a falling critical RH, so taking the extreme of each on
// its own is a bound, if not always the closest one.
func (m *MoldModel) gapHour(e Envelope) moldHour {
	hottest := math.Min(e.MaxTempC, math.Nextafter(moldMaxTempC, 0))
	low, high := m.critRange(math.Max(e.MinTempC, 0), hottest)
	h := moldHour{
		best:  growthAt{e.MinTempC, e.MinRHPct, high},
		worst: growthAt{hottest, e.MaxRHPct, low},
	}
	// An envelope without a temperature below 50 °C has no critical RH: low is +Inf.
	h.canGrow = growable(h.worst.tempC, h.worst.rhPct, h.worst.critPct)
	h.mustGrow = e.MaxTempC < moldMaxTempC && growable(h.best.tempC, h.best.rhPct, h.best.critPct)
	return h
}

// critRange is the least and the greatest critical RH between two temperatures.
// The polynomial has its only turning points near 17.10 and 22.85 °C, and the
// forms switch at 7 and 20 °C.
func (m *MoldModel) critRange(loC, hiC float64) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, t := range [...]float64{
		loC, hiC, 7, math.Nextafter(7, 8), 17.1, 17.104, 20, math.Nextafter(20, 21), 22.85,
	} {
		if t < loC || t > hiC {
			continue
		}
		c := m.RHCritPct(t)
		low, high = math.Min(low, c), math.Max(high, c)
	}
	return low, high
}

// bound moves the bounds by one hour.
func (m *MoldModel) bound(t *MoldTrack, h moldHour) {
	t.MinDryHours++
	t.MaxDryHours++
	least, most := m.declineRange(t.MinDryHours, t.MaxDryHours)
	low, high := math.Max(t.Low-most, 0), math.Max(t.High-least, 0)
	if h.canGrow {
		high = m.highest(t.Low, t.High, h.worst)
		t.MinDryHours = 0
	}
	if h.mustGrow {
		low = m.lowest(t.Low, t.High, h.best)
		t.MaxDryHours = 0
	}
	t.Low, t.High = low, high
}

// highest is the greatest index after an hour of growth from anywhere in [lo,
// hi]. Where the growth factor falls at index 1, just below it can overtake.
func (m *MoldModel) highest(lo, hi float64, g growthAt) float64 {
	top := hi + m.growth(hi, g.tempC, g.rhPct, g.critPct)
	if below := math.Nextafter(1, 0); lo < 1 && hi >= 1 {
		top = math.Max(top, below+m.growth(below, g.tempC, g.rhPct, g.critPct))
	}
	return top
}

// lowest is the least index after an hour of growth from anywhere in [lo, hi].
func (m *MoldModel) lowest(lo, hi float64, g growthAt) float64 {
	bottom := lo + m.growth(lo, g.tempC, g.rhPct, g.critPct)
	if lo < 1 && hi >= 1 {
		bottom = math.Min(bottom, 1+m.growth(1, g.tempC, g.rhPct, g.critPct))
	}
	return bottom
}

// declineRange is the least and the greatest decline over a range of hours since
// growth conditions ended.
func (m *MoldModel) declineRange(from, to float64) (least, most float64) {
	first, last := m.decline(from), m.decline(to)
	least, most = math.Min(first, last), math.Max(first, last)
	if from <= restHours && to > m.fastHours {
		least = 0 // the hours of rest lie within
	}
	return least, most
}
