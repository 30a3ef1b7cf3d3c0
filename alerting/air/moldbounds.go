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
	t.HoursKnown++
	crit := m.RHCritPct(surfaceTempC)
	if !growable(surfaceTempC, surfaceRHPct, crit) {
		t.State = m.dry(t.State)
		m.bound(t, moldHour{})
		return
	}
	p := m.pace(surfaceTempC, surfaceRHPct, crit)
	together := t.Low == t.State.Index && t.High == t.State.Index
	t.State = MoldState{Index: p.after(t.State.Index)}
	if together { // no gap yet: spare the bounds
		t.Low, t.High, t.MinDryHours, t.MaxDryHours = t.State.Index, t.State.Index, 0, 0
		return
	}
	m.bound(t, moldHour{canGrow: true, mustGrow: true, slowest: p, fastest: p})
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

// moldHour is what bounds one hour: whether mold could and whether it must have
// grown, and how slowly and how fast.
type moldHour struct {
	canGrow, mustGrow bool
	slowest, fastest  pace
}

// gapHour bounds an hour within an envelope. Growth rises with temperature (below
// 50 °C), with RH and with a falling critical RH, so taking the extreme of each on
// its own is a bound, if not always the closest one.
func (m *MoldModel) gapHour(e Envelope) moldHour {
	var h moldHour
	hottest := math.Min(e.MaxTempC, math.Nextafter(moldMaxTempC, 0))
	// An envelope without a temperature below 50 °C has no critical RH: low is +Inf.
	low, high := m.critRange(math.Max(e.MinTempC, 0), hottest)
	if h.canGrow = growable(hottest, e.MaxRHPct, low); h.canGrow {
		h.fastest = m.pace(hottest, e.MaxRHPct, low)
	}
	h.mustGrow = e.MaxTempC < moldMaxTempC && growable(e.MinTempC, e.MinRHPct, high)
	if h.mustGrow {
		h.slowest = m.pace(e.MinTempC, e.MinRHPct, high)
	}
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
		high = h.fastest.highest(t.Low, t.High)
		t.MinDryHours = 0
	}
	if h.mustGrow {
		low = h.slowest.lowest(t.Low, t.High)
		t.MaxDryHours = 0
	}
	t.Low, t.High = low, high
}

// highest is the greatest index after an hour of growth from anywhere in [lo,
// hi]. Where growth slows at index 1, just below it can overtake.
func (p pace) highest(lo, hi float64) float64 {
	top := p.after(hi)
	if lo < 1 && hi >= 1 {
		top = math.Max(top, p.after(math.Nextafter(1, 0)))
	}
	return top
}

// lowest is the least index after an hour of growth from anywhere in [lo, hi].
func (p pace) lowest(lo, hi float64) float64 {
	bottom := p.after(lo)
	if lo < 1 && hi >= 1 {
		bottom = math.Min(bottom, p.after(1))
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
