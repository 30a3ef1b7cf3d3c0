package water

import "math"

// The model behind a Response is a small bank of catchments, all run side by side.
// Each mode has a soil store of its own size and recovery: what rain it passes on is
// the share (fill/size)^1.5 of it, so a dry store gives the initial loss, and a wet one
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

// modeSizes and modeRecovery span the catchments of a house: mm of soil store, hours
// in which it drains to 1/e. modeShare is the share of rain that passes, roughly, and
// only scales the prior.
var (
	modeSizeMm        = [modes]float64{2, 2, 12, 12, 45, 45}
	modeRecoveryHours = [modes]float64{36, 192, 36, 192, 36, 192}
	modeShare         = [modes]float64{0.6, 0.8, 0.3, 0.55, 0.08, 0.2}
	pathHours         = [paths]float64{0.5, 3, 12, 48} // of each of the two reservoirs
)

const (
	soilExponent = 1.5
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
// can be marshalled.
type Mode struct {
	SoilMm  float32           // fill of the soil store
	StageMm [paths][2]float32 // fill of the reservoirs
	SinceMm [paths]float32    // outflow since the last cycle, fading
	// FreshMm and FreshSinceMm are the same for rain that fell after the last cycle.
	// It is judged apart: how long the water of earlier rain keeps coming is known worst.
	FreshMm      [paths][2]float32
	FreshSinceMm [paths]float32
	LatestMm     [paths]float32 // outflow in the last cell
	// Cycles credited to each path (last: to none, the dry-weather part) and the
	// exposure behind them, mm or hours; their ratio is the gain. New… is what the
	// current segment adds once it is found fit to learn from.
	Cycles, Exposure       [paths + 1]float32
	NewCycles, NewExposure [paths + 1]float32
	Score, NewScore        float32 // log-likelihood, tempered
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
		fresh := route(&m.FreshMm[k], k, excess*since)
		m.LatestMm[k] = float32(out)
		m.FreshSinceMm[k] = float32(float64(m.FreshSinceMm[k])*sinceKeep + fresh*since)
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
		excess = rainMm * math.Pow(fill/size, soilExponent)
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

// inflow is what has come since the last cycle, in cycles: of rain that fell since then,
// and of all rain.
func (m *Mode) inflow() (fresh, all float64) {
	for k := range paths {
		g := m.gain(k)
		fresh += g * float64(m.FreshSinceMm[k])
		all += g * float64(m.SinceMm[k])
	}
	return fresh, all
}

// emptied says that the basin is at float-off: what came before is pumped.
func (m *Mode) emptied() {
	m.SinceMm, m.FreshSinceMm, m.FreshMm = [paths]float32{}, [paths]float32{}, [paths][2]float32{}
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
	const temper, keepScore = 0.2, 0.97 // cycles of one storm are far from independent
	m.Score = keepScore*m.Score + temper*m.NewScore
	m.drop()
}

// drop forgets the segment's evidence.
func (m *Mode) drop() {
	m.NewCycles, m.NewExposure, m.NewScore = [paths + 1]float32{}, [paths + 1]float32{}, 0
}
