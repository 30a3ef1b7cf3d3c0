package water

import "math"

// prior of a site by its commissioning answer. Common practice, no source: a damp site
// is one whose basin runs a few times in a good rain, a flooded one has had water.
type prior struct {
	cyclesPerMm float64
	unconnected float64
	dryPerDay   float64
}

var priors = map[string]prior{
	"dry":     {0.01, 0.97, 0.1},
	"damp":    {0.15, 0.10, 0.1},
	"flooded": {0.70, 0.005, 0.1},
	"":        {0.08, 0.40, 0.1},
}

const (
	priorHours    = 5 * 24.0 // exposure behind the prior dry-weather rate
	priorPasses   = 0.25     // share of rain that a catchment passes on, roughly
	priorVariance = 0.3      // of the ln of the gain
)

// NewResponse starts from the commissioning answer: "dry", "damp", "flooded", or
// anything else for not asked. from is the time from which rain and cycles are known.
func NewResponse(waterHistory string, from Micros) Response {
	p, ok := priors[waterHistory]
	if !ok {
		p = priors[""]
	}
	return Response{
		Version: ResponseVersion, Cell: from - from%cellMicros, CycleAt: from, LearntAt: from,
		Bank:        newBank(math.Log(p.cyclesPerMm/priorPasses), priorVariance),
		Dry:         Rate{Count: float32(p.dryPerDay / 24 * priorHours), Hours: priorHours},
		Unconnected: p.unconnected,
	}
}

// leastNearbyStorms a site nearby must have learned from before it is asked.
const leastNearbyStorms = 10

// NewResponseNear starts like NewResponse and leans on what sites nearby have learned:
// how the ground there passes rain on (which modes, which paths) is taken over, and the
// cycles a millimetre brings move half of the way to theirs, since basin and catchment
// differ from house to house. Sites that rain does not reach, or that have learned from
// fewer than 10 storms, are not asked; how far
// to trust the bank stays that of a new site.
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
	r.Bank.lean(asked)
	return r
}

// lean gives every other catchment the traits of one of the sites', and moves all gains
// half of the way (in ln) to theirs.
func (b *Bank) lean(asked []*Response) {
	for i := range b.All {
		c, from := &b.All[i], &asked[i/2%len(asked)].Bank.All[i]
		if i%2 == 1 {
			c.shape(from.shaped())
			c.SoilMm = c.SoilSize / 2
		}
		c.setLnGain(float64(c.LnGain+from.LnGain) / 2)
	}
}
