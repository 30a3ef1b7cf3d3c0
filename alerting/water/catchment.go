package water

import "math"

// The model behind a Response is a bank of catchments that are run side by side, each a
// guess at how the ground around the house passes rain on to the basin:
//
//   - leaves and gutters keep the first millimetres (interception);
//   - rain heavier than the ground takes runs off at once (infiltration excess);
//   - of the rest the share (fill/size)^exponent passes a soil store, so that dry ground
//     gives the initial loss and wet ground the dependence on antecedent wetness; the
//     store is emptied by evaporation, which follows the season, and by drainage;
//   - what passes runs through two equal linear reservoirs (a Nash cascade of order 2)
//     or through a water table that gives nothing below a threshold.
//
// Each of these is textbook hydrology (Dingman, Physical Hydrology; the saturation curve
// is that of the Xinanjiang and VIC models); from memory.
const (
	catchments = 128
	traits     = 10

	cellMicros = microsPerHour / 4 // the grid on which the bank is stepped
	cellHours  = 0.25

	runsOff    = 0.5       // share of the infiltration excess that reaches the basin's ground
	tableHours = 40 * 24.0 // in which a water table seeps away to 1/e
	sinceHours = 30 * 24.0 // in which water counted in a basin seeps away again, or was never there
	leastMm    = 1e-4      // outflow below this is none
	gone       = 1e-9      // mm: what stands in a reservoir below this is none
	canopyLoss = 2.0       // times the open evaporation: wet leaves dry faster
)

var sinceKeep = float32(math.Exp(-cellHours / sinceHours))

// Catchment of the bank: its traits, what water stands in it, and what it has learned.
type Catchment struct {
	SoilSize, Exponent, Evaporation, Drain, Canopy, Infiltration, QuickKeep, Slow, TableKeep, Threshold float32

	CanopyMm, SoilMm, FirstMm, SecondMm, TableMm float32
	SinceMm                                      float32 // outflow since the last cycle, fading
	LatestMm                                     float32 // outflow in the last cell

	LnGain, Variance float32 // ln of the cycles a millimetre of outflow brings
	Gain             float32 // the cycles themselves
	Score            float32 // log-likelihood, fading
	// Of the segment: the errors (ln of the inflow at its cycles), their squares and weights.
	Weight, Errors, Squares float32
}

// numbers of a catchment that its state keeps, in order; the gain follows from its ln.
func (c *Catchment) numbers() [numbersKept]*float32 {
	return [...]*float32{
		&c.SoilSize, &c.Exponent, &c.Evaporation, &c.Drain, &c.Canopy, &c.Infiltration, &c.QuickKeep, &c.Slow, &c.TableKeep, &c.Threshold,
		&c.CanopyMm, &c.SoilMm, &c.FirstMm, &c.SecondMm, &c.TableMm, &c.SinceMm, &c.LatestMm,
		&c.LnGain, &c.Variance, &c.Score, &c.Weight, &c.Errors, &c.Squares,
	}
}

const numbersKept = 23

// span of a trait over the unit interval.
type span struct {
	low, high float64
	log       bool
}

func (s span) at(u float64) float64 {
	if s.log {
		return s.low * math.Pow(s.high/s.low, u)
	}
	return s.low + (s.high-s.low)*u
}

func (s span) of(v float64) float64 {
	if s.log {
		return math.Log(v/s.low) / math.Log(s.high/s.low)
	}
	return (v - s.low) / (s.high - s.low)
}

// spans of the traits: the catchments of a house, wide enough for any (common practice,
// no source).
var spans = [traits]span{
	{5, 130, true},     // mm of soil store
	{0.6, 4, true},     // exponent
	{0.4, 1.6, false},  // share of the usual evaporation
	{4, 40, true},      // days in which the soil drains to 1/e
	{0, 3, false},      // mm of interception
	{3, 60, true},      // mm/h of infiltration
	{0.5, 40, true},    // h of the quick reservoirs together
	{0.02, 0.8, false}, // share that goes to the water table
	{20, 300, true},    // h of the water table
	{0, 15, false},     // mm of its threshold
}

// shape sets the traits from a point of the unit cube.
func (c *Catchment) shape(u [traits]float64) {
	v := [traits]float64{}
	for k, s := range spans {
		v[k] = s.at(u[k])
	}
	c.SoilSize, c.Exponent, c.Evaporation, c.Drain = float32(v[0]), float32(v[1]), float32(v[2]), float32(v[3])
	c.Canopy, c.Infiltration = float32(v[4]), float32(v[5])
	c.QuickKeep = float32(math.Exp(-2 * cellHours / v[6]))
	c.Slow, c.TableKeep, c.Threshold = float32(v[7]), float32(math.Exp(-cellHours/v[8])), float32(v[9])
}

// shaped is the point of the unit cube that gives the traits.
func (c *Catchment) shaped() (u [traits]float64) {
	v := [traits]float64{float64(c.SoilSize), float64(c.Exponent), float64(c.Evaporation), float64(c.Drain), float64(c.Canopy),
		float64(c.Infiltration), -2 * cellHours / math.Log(float64(c.QuickKeep)), float64(c.Slow), -cellHours / math.Log(float64(c.TableKeep)), float64(c.Threshold)}
	for k, s := range spans {
		u[k] = math.Min(math.Max(s.of(v[k]), 0), 1)
	}
	return u
}

// step runs one cell with mm of water on the ground and mm of open evaporation; since is
// the share of the cell that lies after the last cycle.
func (c *Catchment) step(waterMm, evaporationMm, since float32) {
	excess := float32(0)
	if waterMm > 0 {
		excess = c.passOn(waterMm)
	}
	c.dry(evaporationMm, 1)
	c.FirstMm += excess * (1 - c.Slow)
	c.TableMm += excess * c.Slow
	c.LatestMm = c.drain(1, c.QuickKeep, c.TableKeep)
	c.SinceMm = c.SinceMm*sinceKeep + c.LatestMm*since
}

// pass runs several cells without water on the ground at once; since is the share of all
// of them that lies after the last cycle.
func (c *Catchment) pass(cells int, evaporationMm, since, keep float32) {
	c.dry(evaporationMm, float32(cells))
	out := c.drain(float32(cells), power(c.QuickKeep, cells), power(c.TableKeep, cells))
	c.SinceMm = c.SinceMm*keep + out*since
	c.LatestMm = out / float32(cells)
}

// dry lets leaves and soil dry: both losses of the soil are shares of what it holds.
func (c *Catchment) dry(evaporationMm, cells float32) {
	if c.CanopyMm > 0 {
		c.CanopyMm = max(0, c.CanopyMm-canopyLoss*evaporationMm)
	}
	c.SoilMm /= 1 + evaporationMm*c.Evaporation/c.SoilSize + cells*cellHours/(24*c.Drain)
}

// drain runs the reservoirs and the water table by some cells, of which quick and slow
// remain of what stands in them, and returns their outflow. What is too little to matter
// is gone, or it would linger as the smallest of numbers, which are slow to reckon with.
func (c *Catchment) drain(cells, quick, slow float32) (out float32) {
	if first, second := c.FirstMm, c.SecondMm; first+second > gone {
		c.FirstMm = first * quick
		c.SecondMm = quick * (second + cells*(1-c.QuickKeep)*first)
		out = first + second - c.FirstMm - c.SecondMm
	} else {
		c.FirstMm, c.SecondMm = 0, 0
	}
	if table := c.TableMm; table > gone {
		if above := table - c.Threshold; above > 0 {
			seep := above * (1 - slow)
			table -= seep
			out += seep
		}
		c.TableMm = table - table*cells*(cellHours/tableHours)
	}
	return out
}

// power is x to a small whole power.
func power(x float32, n int) float32 {
	y := float32(1)
	for ; n > 0; n >>= 1 {
		if n&1 != 0 {
			y *= x
		}
		x *= x
	}
	return y
}

// passOn is what interception and soil let through, mm.
func (c *Catchment) passOn(mm float32) float32 {
	caught := min(mm, c.Canopy-c.CanopyMm)
	if caught > 0 {
		c.CanopyMm += caught
		mm -= caught
	}
	runoff := max(0, mm-c.Infiltration*cellHours)
	mm -= runoff
	share := c.share(c.SoilMm)
	share = c.share(c.SoilMm + mm*(1-share)/2) // half-way through the cell
	excess := mm * share
	c.SoilMm += mm - excess
	if over := c.SoilMm - c.SoilSize; over > 0 {
		excess += over
		c.SoilMm = c.SoilSize
	}
	return excess + runsOff*runoff
}

func (c *Catchment) share(fillMm float32) float32 {
	fill := fillMm / c.SoilSize
	switch {
	case fill >= 1:
		return 1
	case fill < 1e-6:
		return 0
	}
	return float32(math.Exp(float64(c.Exponent) * ln(fill)))
}

// lnInflow is the ln of what has come since the last cycle, in cycles; dry is what came
// without rain.
func (c *Catchment) lnInflow(dry float32) float64 {
	return ln(c.Gain*max(c.SinceMm, leastMm) + dry)
}

// setLnGain sets the gain by its logarithm.
func (c *Catchment) setLnGain(v float64) {
	c.LnGain = float32(v)
	c.Gain = float32(math.Exp(float64(c.LnGain))) // from what is kept
}

// ln is the natural logarithm of a positive, normal number, within 1e-8 or 1e-8 of itself:
// the exponent apart, ln m = 2 artanh((m-1)/(m+1)) by its first five terms.
func ln(x float32) float64 {
	const halfRoot = 0x3f3504f3 // bits of the square root of a half
	bits := math.Float32bits(x) - halfRoot
	exponent := int32(bits) >> 23
	m := float64(math.Float32frombits(bits&0x7fffff + halfRoot)) // from the square root of a half to that of 2
	t := (m - 1) / (m + 1)
	s := t * t
	return float64(exponent)*math.Ln2 + 2*t*(1+s*(1.0/3+s*(1.0/5+s*(1.0/7+s/9))))
}
