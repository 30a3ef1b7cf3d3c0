package water

import "math"

// Learned is what a person is told of a site's response.
type Learned struct {
	Storms         int     // segments with rain that it has learned from
	CyclesPerMm    float64 // of rain, lately; 0 before any
	Low, High      float64 // the same, off by one usual factor either way
	LagHours       float64 // mean time from rain that is passed on to its cycles
	SoilStoreMm    float64 // rain that dry ground keeps, roughly
	CyclesPerDay   float64 // in dry weather
	UsualFactor    float64 // how far off the expected inflow usually is, as a factor
	Unconnected    float64 // probability that rain does not reach this basin at all
	Held           bool    // a silence is being held back until a test or a cycle explains it
	AntecedentMm   float64 // wetness when the current storm began
	StormMm        float64
	StormExpected  float64 // cycles from rain since the current storm began
	StormCycles    int
	StormIntensity Intensity
}

// Learned sums the state up as of now. It changes nothing.
func (r *Response) Learned(now Micros) Learned {
	c := r.at(now)
	l := Learned{
		Storms: int(c.LearntStorms), CyclesPerDay: 24 * c.Dry.perHour(), Unconnected: c.Unconnected, Held: c.Held,
		UsualFactor:  math.Exp(c.usualOff()),
		AntecedentMm: c.Storms.Current.AntecedentMm, StormMm: c.Storms.Current.DepthMm,
		StormExpected: float64(c.StormExpected), StormCycles: int(c.StormCycles), StormIntensity: c.Storms.Current.Class(),
	}
	if c.LearntMm > 0 {
		l.CyclesPerMm = float64(c.LearntCycles / c.LearntMm)
		l.Low, l.High = l.CyclesPerMm/l.UsualFactor, l.CyclesPerMm*l.UsualFactor
	}
	for i := range c.Bank.All {
		k, w := &c.Bank.All[i], float64(c.Bank.Weight[i])
		l.SoilStoreMm += w * float64(k.SoilSize)
		l.LagHours += w * k.lagHours()
	}
	return l
}

// ExpectedOf is how many cycles a design storm of that depth, falling evenly over so
// many hours from now on, should bring within the two days after its start, the water
// of earlier rain included; with it the most that one hour asks of the pump. Depth not
// negative, hours above 0; else 0. It changes nothing.
func (r *Response) ExpectedOf(now Micros, depthMm, hours float64) (cycles, mostPerHour float64) {
	if notNegative("depth", depthMm) != nil || positive("hours", hours) != nil {
		return 0, 0
	}
	c := r.at(now)
	const cells = 48 * 4
	hour := 0.0
	for n := range cells {
		share := math.Min(math.Max((hours-float64(n)*cellHours)/cellHours, 0), 1)
		rain := depthMm * math.Min(share*cellHours/hours, 1)
		out := c.Bank.step(rain, evaporationMm(c.Cell), 1) + c.Dry.perHour()*cellHours
		cycles, hour = cycles+out, hour+out
		if n%4 == 3 {
			mostPerHour, hour = math.Max(mostPerHour, hour), 0
		}
	}
	return cycles, mostPerHour
}

// lagHours is the mean time from rain that is passed on to its outflow.
func (c *Catchment) lagHours() float64 {
	quick := -2 * cellHours / math.Log(float64(c.QuickKeep))
	table := -cellHours / math.Log(float64(c.TableKeep))
	return quick*float64(1-c.Slow) + table*float64(c.Slow)
}

// usualOff is how far off, in ln, the expected inflow usually is.
func (r *Response) usualOff() float64 {
	_, variance := r.Bank.lnInflow(r.dryInflow())
	return math.Sqrt(float64(r.Bank.OffSquare) + variance)
}
