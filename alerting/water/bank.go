package water

import "math"

// The model behind a Response is a small bank of catchments, all run side by side.
// Each mode has a soil store of its own size and recovery: what rain it passes on is
// the share (fill/size)^exponent of it, so a dry store gives the initial loss, and a wet one
// the dependence on antecedent wetness. What is passed on runs through four paths of
// two equal linear reservoirs each (a Nash cascade of order 2), from a roof drain to a
// water table. How many cycles a millimetre brings on each path is learned; so is how
// much to trust each mode.

const (
	modes = 6
	paths = 4
	// dry indexes the part of the cycles that needs no rain, behind the paths.
	dry = paths

	cellMicros = microsPerHour / 4 // the grid on which the bank is stepped
	cellHours  = 0.25
)

// The modes span the catchments of a house: mm of soil store, hours in which it drains
// to 1/e, and how sharply it begins to pass rain on. modeShare is the share of rain that
// passes, roughly, and only scales the prior.
var (
	modeSizeMm        = [modes]float64{5, 20, 40, 80, 30, 70}
	modeRecoveryHours = [modes]float64{120, 120, 240, 240, 240, 240}
	modeExponent      = [modes]float64{2, 2, 1, 1, 3, 3}
	modeShare         = [modes]float64{0.5, 0.3, 0.4, 0.3, 0.2, 0.1}
	pathHours         = [paths]float64{0.5, 3, 12, 48} // of each of the two reservoirs
)

const (
	// sinceHours: what stands in a basin seeps away again, or was never there; counted
	// inflow fades with this time constant.
	sinceHours = 240.0
)

// decay factors of one cell, worked out once.
var (
	modeKeep = perMode(func(i int) float64 { return math.Exp(-cellHours / modeRecoveryHours[i]) })
	pathKeep = func() (k [paths]float64) {
		for i, h := range pathHours {
			k[i] = math.Exp(-cellHours / h)
		}
		return k
	}()
	sinceKeep = math.Exp(-cellHours / sinceHours)
)

func perMode(f func(int) float64) (out [modes]float64) {
	for i := range out {
		out[i] = f(i)
	}
	return out
}

// Mode is one catchment of the bank with what it has learned. Exported only so that it
// can be marshalled; its JSON names are short because every property carries six.
type Mode struct {
	SoilMm   float32           `json:"w"` // fill of the soil store
	StageMm  [paths][2]float32 `json:"r"` // fill of the reservoirs
	SinceMm  [paths]float32    `json:"i"` // outflow since the last cycle, fading
	LatestMm [paths]float32    `json:"o"` // outflow in the last cell
	// Cycles credited to each path (last: to none, the dry-weather part) and the exposure
	// behind them, mm or hours; their ratio is the gain. New… is what the current segment
	// adds once it is found fit to learn from.
	Cycles      [paths + 1]float32 `json:"c"`
	Exposure    [paths + 1]float32 `json:"e"`
	NewCycles   [paths + 1]float32 `json:"nc"`
	NewExposure [paths + 1]float32 `json:"ne"`
	Score       float32            `json:"s"` // log-likelihood, tempered
	NewScore    float32            `json:"ns"`
}

// gain in cycles per mm on a path, or cycles per hour in dry weather.
func (m *Mode) gain(k int) float64 {
	if m.Exposure[k] <= 0 {
		return 0
	}
	return float64(m.Cycles[k]) / float64(m.Exposure[k])
}

// step runs one cell with mm of rain and returns the cycles expected in it, those from
// rain and those without. since is the share of the cell that lies after the last cycle.
func (m *Mode) step(i int, rainMm, since float64) (fromRain, without float64) {
	excess := m.passOn(i, rainMm)
	for k := range paths {
		out := route(&m.StageMm[k], k, excess)
		m.LatestMm[k] = float32(out)
		m.SinceMm[k] = float32(float64(m.SinceMm[k])*sinceKeep + out*since)
		m.NewExposure[k] += float32(out)
		fromRain += m.gain(k) * out
	}
	without = m.gain(dry) * cellHours
	m.NewScore -= float32(fromRain + without)
	return fromRain, without
}

// passOn fills the soil store and returns what it lets through, mm.
func (m *Mode) passOn(i int, rainMm float64) float64 {
	size, fill := modeSizeMm[i], float64(m.SoilMm)
	excess := 0.0
	if rainMm > 0 {
		excess = rainMm * math.Pow(fill/size, modeExponent[i])
		fill += rainMm - excess
		if fill > size {
			excess += fill - size
			fill = size
		}
	}
	m.SoilMm = float32(fill * modeKeep[i])
	return excess
}

// route runs one path's two reservoirs by one cell and returns the outflow, mm.
func route(stage *[2]float32, k int, inMm float64) float64 {
	first := float64(stage[0]) + inMm
	second := float64(stage[1])
	between := first * (1 - pathKeep[k])
	second += between
	out := second * (1 - pathKeep[k])
	*stage = [2]float32{float32(first - between), float32(second - out)}
	return out
}

// inflow is what rain has brought since the last cycle, in cycles.
func (m *Mode) inflow() float64 {
	v := 0.0
	for k := range paths {
		v += m.gain(k) * float64(m.SinceMm[k])
	}
	return v
}

// emptied says that the basin is at float-off: what came before is pumped.
func (m *Mode) emptied() {
	m.SinceMm = [paths]float32{}
}

// credit shares one cycle out among the paths and the dry-weather part by what each
// should have brought since the last one (an online step of expectation-maximisation),
// and scores how well its moment was foreseen. The dry-weather part learns in dry weather
// only, so that it cannot swallow what rain brings.
func (m *Mode) credit(hoursSince float64, wet bool) {
	const least = 1e-6 // a mode that foresaw nothing is not ruled out for good
	var part [paths + 1]float64
	sum, rate := 0.0, m.gain(dry)
	for k := range paths {
		latest := float64(m.LatestMm[k])
		// Several cycles within one cell leave SinceMm at 0: then the latest outflow tells.
		part[k] = m.gain(k) * (float64(m.SinceMm[k]) + latest*1e-3)
		rate += m.gain(k) * latest / cellHours
		sum += part[k]
	}
	part[dry] = m.gain(dry) * math.Max(hoursSince, 1e-3*cellHours)
	sum += part[dry]
	m.NewScore += float32(math.Log(rate*cellHours + least))
	for k := range part {
		if sum > 0 && (k != dry || !wet) {
			m.NewCycles[k] += float32(part[k] / sum)
		}
	}
	m.emptied()
}

// learn takes the segment's evidence over, fading what was known before: keepRain for
// the paths, keepDry for the dry-weather part.
func (m *Mode) learn(keepRain, keepDry float64) {
	for k := range m.Cycles {
		keep := float32(keepRain)
		if k == dry {
			keep = float32(keepDry)
		}
		m.Cycles[k] = keep*m.Cycles[k] + m.NewCycles[k]
		m.Exposure[k] = keep*m.Exposure[k] + m.NewExposure[k]
	}
	const temper, keepScore = 0.5, 0.97 // cycles of one storm are far from independent
	m.Score = keepScore*m.Score + temper*m.NewScore
	m.drop()
}

// drop forgets the segment's evidence.
func (m *Mode) drop() {
	m.NewCycles, m.NewExposure, m.NewScore = [paths + 1]float32{}, [paths + 1]float32{}, 0
}
