package water

// prior of a site by its commissioning answer. Common practice, no source: a damp site
// is one whose basin runs a few times in a good rain, a flooded one has had water.
type prior struct {
	cyclesPerMm float64
	unconnected float64
	spread      float64 // of ln(expected inflow at the first cycle)
	dryPerDay   float64
}

var priors = map[string]prior{
	"dry":     {0.01, 0.97, 0.8, 0.1},
	"damp":    {0.10, 0.10, 0.8, 0.1},
	"flooded": {0.40, 0.005, 0.7, 0.1},
	"":        {0.08, 0.40, 0.8, 0.1},
}

const (
	priorMm     = 12.0     // exposure behind the prior gains
	priorHours  = 5 * 24.0 // exposure behind the prior dry-weather rate
	priorStorms = 6.0      // weight of the prior spread
)

var pathPrior = [paths]float64{0.35, 0.30, 0.20, 0.15}

// NewResponse starts from the commissioning answer: "dry", "damp", "flooded", or
// anything else for not asked. from is the time from which rain and cycles are known.
func NewResponse(waterHistory string, from Micros) Response {
	p, ok := priors[waterHistory]
	if !ok {
		p = priors[""]
	}
	r := Response{
		Version: ResponseVersion, Cell: from - from%cellMicros, CycleAt: from, LearntAt: from,
		Unconnected: p.unconnected,
		First:       Spread{Weight: priorStorms, Variance: p.spread * p.spread},
		Peak:        Spread{Weight: priorStorms, Variance: p.spread * p.spread},
	}
	for i := range r.Modes {
		m := &r.Modes[i]
		m.SoilMm = float32(modeSizeMm[i] / 2)
		for k := range paths {
			m.Exposure[k] = float32(priorMm * modeShare[i])
			m.Cycles[k] = float32(p.cyclesPerMm * pathPrior[k] * priorMm)
		}
		m.Exposure[dry] = priorHours
		m.Cycles[dry] = float32(p.dryPerDay / 24 * priorHours)
	}
	r.weigh()
	return r
}
