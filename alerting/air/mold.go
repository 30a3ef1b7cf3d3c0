package air

import (
	"fmt"
	"math"
)

// Decline in index per hour for a decline factor of 1, Hukka and Viitanen 1999:
// 0.032 a day in the first hours without growth conditions, nothing up to a day,
// 0.016 a day after that.
const (
	fastDeclinePerHour = 0.032 / 24
	slowDeclinePerHour = 0.016 / 24
	restHours          = 24.0
	hoursPerWeek       = 168.0
	// MaxMoldIndex is full cover.
	MaxMoldIndex = 6.0
	// Growth needs more than 0 and less than 50 °C.
	moldMaxTempC = 50.0
)

// MoldModel is the mold index of Hukka and Viitanen (1999) with the classes of
// Ojanen et al. (2010), set up once and then shared: it holds no state.
//
// The index: 0 none; 1 a little, under the microscope; 2 several colonies under
// the microscope; 3 visible, under 10 % of the surface; 4 visible, 10 to 50 %; 5
// over half; 6 nearly all. It is a risk figure for materials, not a statement
// about anyone's health.
type MoldModel struct {
	opts      MoldOptions
	fig       classFigures
	lnMonth   float64 // constant of the regression to index 1
	lnVisible float64 // constant of the regression to index 3
	fastHours float64
}

// MoldState is all that has to be kept from one hour to the next.
type MoldState struct {
	Index    float64 `json:"index"`     // 0 to 6
	DryHours float64 `json:"dry_hours"` // since growth conditions ended; 0 while they last
}

// Check refuses a state that no model can have left behind.
func (s MoldState) Check() error {
	if err := within("mold index", s.Index, 0, MaxMoldIndex, ""); err != nil {
		return err
	}
	return within("hours since growth conditions", s.DryHours, 0, math.MaxFloat64, "h")
}

// WeeksToIndex1 is tm, the published regression of the weeks until mold shows
// under the microscope at constant surface conditions (above 0 °C and 0 %RH).
func (m *MoldModel) WeeksToIndex1(tempC, rhPct float64) float64 {
	return math.Exp(m.lnMonth - 0.68*math.Log(tempC) - 13.9*math.Log(rhPct))
}

// WeeksToIndex3 is tv, the published regression of the weeks until mold is
// visible at constant surface conditions (above 0 °C and 0 %RH).
func (m *MoldModel) WeeksToIndex3(tempC, rhPct float64) float64 {
	return math.Exp(m.lnVisible - 0.74*math.Log(tempC) - 12.72*math.Log(rhPct))
}

// MaxIndex is the index that constant surface conditions lead to in the end, 0
// where mold does not grow.
func (m *MoldModel) MaxIndex(tempC, rhPct float64) float64 {
	crit := m.RHCritPct(tempC)
	if !growable(tempC, rhPct, crit) {
		return 0
	}
	return m.maxIndex(rhPct, crit)
}

func (m *MoldModel) maxIndex(rhPct, critPct float64) float64 {
	x := (rhPct - critPct) / (100 - critPct)
	return m.fig.a + x*(m.fig.b-m.fig.c*x)
}

// growable is the condition of growth. A critical RH of 100 is the mark for
// "never" and would divide by zero.
func growable(tempC, rhPct, critPct float64) bool {
	return tempC > 0 && tempC < moldMaxTempC && rhPct >= critPct && critPct < 100
}

// Growable says whether mold can grow on a surface in these conditions.
func (m *MoldModel) Growable(tempC, rhPct float64) bool {
	return growable(tempC, rhPct, m.RHCritPct(tempC))
}

// pace is how mold grows in given conditions, whatever its index.
type pace struct {
	below, from float64 // index per hour far from the greatest one: below index 1, and from it on
	max         float64 // the greatest index
}

// pace is the growth at a temperature and RH above the critical RH. The
// temperature of the regressions and the critical RH are given apart, so that bounds
// over a range of temperatures can take the worst of each.
func (m *MoldModel) pace(tempC, rhPct, critPct float64) pace {
	lnT, lnRH := math.Log(tempC), math.Log(rhPct)
	weeks := math.Exp(m.lnMonth - 0.68*lnT - 13.9*lnRH)
	perHour := 1 / (hoursPerWeek * weeks)
	p := pace{below: m.fig.k1Below * perHour, from: m.fig.k1From * perHour, max: m.maxIndex(rhPct, critPct)}
	if m.opts.K1 == K1Paper1999 {
		visible := math.Exp(m.lnVisible - 0.74*lnT - 12.72*lnRH)
		p.from = 2 / (visible/weeks - 1) * perHour
	}
	return p
}

// after is the index an hour of growth later; growth dies out at the greatest index.
func (p pace) after(index float64) float64 {
	k2 := 1 - math.Exp(2.3*(index-p.max))
	switch {
	case k2 <= 0:
		return index
	case index < 1:
		return index + p.below*k2
	}
	return index + p.from*k2
}

// GrowthPerHour is the rise of the index in one hour at the given index and
// surface conditions; 0 where mold does not grow.
func (m *MoldModel) GrowthPerHour(index, tempC, rhPct float64) float64 {
	crit := m.RHCritPct(tempC)
	if !growable(tempC, rhPct, crit) {
		return 0
	}
	return m.pace(tempC, rhPct, crit).after(index) - index
}

// decline is the fall of the index in the dryHours-th hour without growth
// conditions (1 is the first).
func (m *MoldModel) decline(dryHours float64) float64 {
	switch {
	case dryHours <= m.fastHours:
		return m.opts.Decline * fastDeclinePerHour
	case dryHours <= restHours:
		return 0
	}
	return m.opts.Decline * slowDeclinePerHour
}

// dry is the state after an hour without growth conditions.
func (m *MoldModel) dry(s MoldState) MoldState {
	hours := s.DryHours + 1
	return MoldState{Index: math.Max(s.Index-m.decline(hours), 0), DryHours: hours}
}

// Step carries the index through one hour of the given conditions on the
// surface (not in the room), as means of the hour. It checks and allocates
// nothing: surface temperature -60 to 100 °C, RH 0 to 100 %RH over water. Euler's
// method with a step of an hour, as the model is published. An hour that is not a
// number is an hour of decline only because nothing can grow on it: use
// [MoldTrack] for hours without data.
func (m *MoldModel) Step(s MoldState, surfaceTempC, surfaceRHPct float64) MoldState {
	crit := m.RHCritPct(surfaceTempC)
	if growable(surfaceTempC, surfaceRHPct, crit) {
		return MoldState{Index: m.pace(surfaceTempC, surfaceRHPct, crit).after(s.Index)}
	}
	return m.dry(s)
}

// CheckedStep is [MoldModel.Step] for a state and conditions from outside.
func (m *MoldModel) CheckedStep(s MoldState, surfaceTempC, surfaceRHPct float64) (MoldState, error) {
	if err := s.Check(); err != nil {
		return s, fmt.Errorf("mold step: %w", err)
	}
	if err := CheckAir(surfaceTempC, surfaceRHPct); err != nil {
		return s, fmt.Errorf("mold step on a surface: %w", err)
	}
	return m.Step(s, surfaceTempC, surfaceRHPct), nil
}
