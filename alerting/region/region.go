// Package region joins call-outs of different houses into one event where they
// have one cause over all of them: the mains of a street, a network, a storm, a
// cold spell. It hides nothing: each alarm keeps its identity; the event says
// that one visit plan, and one message, covers them.
//
// # When call-outs are joined
//
// By coincidence beyond chance. A family of conditions (power and network;
// water; frost) has a usual rate of call-outs per house. Around each call-out,
// for several distances and several spans of time, the other houses in reach
// are counted, and how many of them have a call-out of the family in the span.
// If each house went its own way, that number would be binomial: N houses, each
// with p = 1 − exp(−rate × span) (Poisson arrivals). A call-out is a kernel when
// the probability of at least so many is ≤ MostChance and the number expected
// by chance is at most a fifth of the number found; of all distances and spans
// the one with the least probability is taken. Kernels in reach of each other
// are one event, and so is any call-out in reach of a kernel while that one
// stands (a battery that lasts some hours longer than the mains). That is
// clustering by density (Ester, Kriegel, Sander and Xu 1996), with the number
// of neighbours that it asks for set by a scan of the binomial tail (Naus 1965;
// Kulldorff 1997).
//
// The result is a function of the set of call-outs: their order does not matter.
package region

import (
	"time"

	"underkeep/store/site"
)

const (
	// MostChance is the largest probability of coincidence at which call-outs
	// are joined. A fleet of 10,000 houses with two call-outs a year each looks
	// 20,000 times a year, at some ten correlated scales: about one joining by
	// chance a year or fewer.
	MostChance = 1e-5
	// LeastHouses make an event; two houses are two houses.
	LeastHouses = 3
	// mostByChance is the largest share of an event's houses that may be
	// expected to be there by chance.
	mostByChance = 0.2
	// lastingReach bounds how long a standing kernel gathers others.
	lastingReach = 48 * time.Hour
	// Reach is the longest time over which two call-outs can influence each
	// other's joining, chains of kernels aside: a span, a standing kernel, a span.
	Reach = lastingReach + 2*12*time.Hour
)

// Family is a group of conditions that one regional cause brings about.
type Family uint8

// The families.
const (
	NoFamily Family = iota
	Outage          // power and network
	Water           // what rain does to basins and pumps
	Frost
)

// Families lists them.
func Families() []Family { return []Family{Outage, Water, Frost} }

var familyNames = [...]string{"", "outage", "water", "frost"}

// String is the family's name.
func (f Family) String() string { return familyNames[f] }

// families are in order of precedence: a call-out with alarms of two counts to
// the first (without power the pump stands still).
var families = map[site.Condition]Family{
	site.MainsLost: Outage, site.GatewaySilent: Outage,
	site.HighWaterAlarm: Water, site.PumpSilentInRain: Water, site.PumpRunOn: Water,
	site.PumpShortCycling: Water, site.BackupPumpRan: Water,
	site.FreezeRisk: Frost,
}

// FamilyOf a condition; NoFamily for one that is never a region's.
func FamilyOf(c site.Condition) Family { return families[c] }

// Conditions that can be joined.
func Conditions() []site.Condition {
	var out []site.Condition
	for _, c := range site.Conditions() {
		if families[c] != NoFamily {
			out = append(out, c)
		}
	}
	return out
}

// scales over which coincidence is looked for: spans to either side of a
// call-out and distances. Common practice, no source: a feeder or a cell of a
// network fails within minutes over some streets to a county, but gateways with
// a long interval are missed up to an hour later; a storm passes within hours
// over tens of km.
type scales struct {
	spans    [2]time.Duration // to either side, narrow first
	radiusKm []float64
	fleet    bool // the whole fleet at once: our own network, or a provider's
}

var scalesOf = [...]scales{
	Outage: {[2]time.Duration{5 * time.Minute, time.Hour}, []float64{1, 5, 25, 100}, true},
	Water:  {[2]time.Duration{time.Hour, 6 * time.Hour}, []float64{2, 10, 50}, false},
	Frost:  {[2]time.Duration{2 * time.Hour, 12 * time.Hour}, []float64{10, 50, 200}, false},
}

// Kind of an event, as people are told.
type Kind string

// The kinds.
const (
	MainsLost     Kind = "mains-lost"     // no power
	GatewaySilent Kind = "gateway-silent" // no network, or no power and nothing left to say so
	Storm         Kind = "storm"          // rain
	HighWater     Kind = "water"          // water in many basins, and no rain known
	ColdSpell     Kind = "freeze"
)

// Kinds lists them.
func Kinds() []Kind { return []Kind{MainsLost, GatewaySilent, Storm, HighWater, ColdSpell} }

// CallOut is one visit that a house asks for.
type CallOut struct {
	House int    // index into the fleet
	ID    string // of the call-out, unique within its house
	// Family and what it says of the kind.
	Family Family
	Mains  bool // Outage: power was reported lost
	Rain   bool // Water: rain explains it
	At     time.Time
	End    time.Time // zero while it stands
}

// Event is a set of call-outs with one cause.
type Event struct {
	Kind    Kind
	Family  Family
	Members []int // indexes of the call-outs handed in, by time
	Houses  int
	Since   time.Time
	Until   time.Time // when the last one ended; zero while one stands
	// Where: mean place of its houses and the distance of the farthest; Located
	// is how many of them have a place.
	Located  int
	Lat, Lon float64
	RadiusKm float64
	Why      Chance
}

// Chance is why the call-outs of an event are no coincidence: the strongest of
// its kernels.
type Chance struct {
	Houses      int     // with a call-out, the kernel's own included
	InReach     int     // houses in reach, likewise
	ReachKm     float64 // 0: the area, or the whole fleet
	Span        time.Duration
	Expected    float64 // houses besides the kernel's, by chance
	Probability float64 // of at least so many by chance; 0 below 1e-300
	RatePerYear float64 // usual call-outs of the family a house and year
}
