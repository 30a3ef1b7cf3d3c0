package water

import "math"

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

// leastNearbyStorms a site nearby must have learned from before it is asked.
const leastNearbyStorms = 10

// NewResponseNear starts like NewResponse and leans on what sites nearby have learned:
// how the ground there passes rain on (which modes, which paths) is taken over, and the
// cycles a millimetre brings move half of the way to theirs, since basin and catchment
// differ from house to house. Sites that rain does not reach, or that have learned from
// fewer than 10 storms, are not asked; the spread stays that of a new site.
func NewResponseNear(waterHistory string, from Micros, nearby []Response) Response {
	r := NewResponse(waterHistory, from)
	var asked []*Response
	for i := range nearby {
		n := &nearby[i]
		if n.Version == ResponseVersion && n.LearntStorms >= leastNearbyStorms && n.Unconnected < 0.01 {
			asked = append(asked, n)
		}
	}
	if len(asked) == 0 {
		return r
	}
	for i := range r.Modes {
		r.Modes[i].lean(i, asked)
	}
	r.weigh()
	return r
}

// lean takes the sites' mean split of cycles among paths, half of the way (in ln) to
// their mean gain, and their mean score.
func (m *Mode) lean(i int, asked []*Response) {
	var gains [paths]float64
	sum, own, score := 0.0, 0.0, 0.0
	for _, n := range asked {
		score += math.Log(math.Max(n.Weights[i], 1e-3)) / float64(len(asked))
		for k := range paths {
			gains[k] += n.Modes[i].gain(k) / float64(len(asked))
		}
	}
	for k := range paths {
		sum += gains[k]
		own += m.gain(k)
	}
	m.Score = float32(score)
	if sum <= 0 || own <= 0 {
		return
	}
	for k := range paths {
		m.Cycles[k] = float32(gains[k] * math.Sqrt(own/sum) * float64(m.Exposure[k]))
	}
}
