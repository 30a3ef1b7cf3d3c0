package warranty

import (
	"fmt"
	"slices"
	"time"

	"underkeep/store/site"
)

// Terms are one version of one set of warranty terms: what was agreed, as data.
// A term that is nil or zero was not agreed and is not judged.
type Terms struct {
	Name    string // of the set, [a-z0-9][a-z0-9-]{0,39}
	Version int    // from 1
	// Effective is the day from which this version holds; the first version of a
	// set holds from the start when it is zero.
	Effective site.Date
	Title     string

	// Probability of conformance that a decision needs, above 0.5.
	Probability float64
	Humidity    *HumidityTerms
	Data        *DataTerms
	Mold        *MoldTerms
	Wood        *WoodTerms
	Power       *PowerTerms
	Service     *ServiceTerms
	SensorCheck *SensorCheckTerms
	Work        map[string][]string // part of the installation → who may work on it
	Exclusions  ExclusionTerms
}

// HumidityTerms bound the air of the space.
type HumidityTerms struct {
	LimitRHPct float64
	// Points it applies to; empty: every indoor air point.
	Points []string
	// LongestExcursion is how long the air may be above the limit without a break.
	LongestExcursion time.Duration
	// AbovePerYear is how long it may be above in any RollingDays days.
	AbovePerYear time.Duration
	RollingDays  int
}

// DataTerms say how much must be known.
type DataTerms struct {
	LeastCoveragePct float64 // of each calendar month
	LongestGap       time.Duration
}

// MoldTerms bound the mold index, as grown within the period from StartIndex.
type MoldTerms struct {
	Limit      float64
	StartIndex float64
}

// WoodTerms bound the moisture of wood, measured or in equilibrium with its air.
type WoodTerms struct {
	LimitPct         float64
	LongestExcursion time.Duration
}

// PowerTerms are what the owner undertakes: a power supply for the dehumidifier
// and the pump. Zero durations are not agreed.
type PowerTerms struct {
	DehumidifierOff time.Duration // longest time without power
	PumpOff         time.Duration
}

// ServiceTerms is how often somebody has to come.
type ServiceTerms struct {
	Interval time.Duration
	Visits   []string // kinds of visit that count
	By       []string // whose visits count
}

// SensorCheckTerms is how long a sensor is trusted without being held over a
// salt, and how its uncertainty grows after that.
type SensorCheckTerms struct {
	Interval time.Duration
	// DriftPct is the limit in %RH that an overdue sensor may drift in a year.
	DriftPctPerYear float64
}

// ExclusionTerms say which time counts neither way.
type ExclusionTerms struct {
	Visits  bool
	Outages bool
	// ReportWithin is how soon an outage must be reported to count.
	ReportWithin time.Duration
	// PowerCut leaves out time without power at the house, and as much time to
	// recover as it lasted, at most Recovery.
	PowerCut bool
	Recovery time.Duration
}

// ID names a version, as in "standard-60 version 1".
func (t *Terms) ID() string { return fmt.Sprintf("%s version %d", t.Name, t.Version) }

// check refuses terms that cannot be meant.
func (t *Terms) check() error {
	switch {
	case !site.ValidID(t.Name):
		return fmt.Errorf("terms: %q is no name of a-z, 0-9 and -", t.Name)
	case t.Version < 1:
		return fmt.Errorf("version: %d is not 1 or more", t.Version)
	case t.Title == "":
		return fmt.Errorf("title is missing")
	case t.Probability <= 0.5 || t.Probability > 0.999:
		return fmt.Errorf("decision.conformance_probability: %g is not above 50 and at most 99.9 %%", 100*t.Probability)
	case t.Humidity == nil && t.Mold == nil && t.Wood == nil && t.Power == nil && t.Service == nil:
		return fmt.Errorf("no term is set")
	case t.Version > 1 && t.Effective == (site.Date{}):
		return fmt.Errorf("effective: a later version needs the day from which it holds")
	}
	for part, who := range t.Work {
		if len(who) == 0 {
			return fmt.Errorf("work.%s: nobody may", part)
		}
		for _, w := range who {
			if !slices.Contains(Parties(), w) {
				return fmt.Errorf("work.%s: %q is not one of %v", part, w, Parties())
			}
		}
	}
	return nil
}

// Who may have worked on something.
const (
	ByCompany = "company"
	ByOwner   = "owner"
	ByOthers  = "others"
)

// Parties lists who terms can name.
func Parties() []string { return []string{ByCompany, ByOwner, ByOthers} }

// InForce is a version with the day from which it holds at a property.
type InForce struct {
	From  site.Date
	Terms Terms
}

// Resolve says which terms were in force at a property from which day on, given
// the assignments of sets (by day) and all versions of all sets. The result is
// in order of day; terms stand until the next.
func Resolve(assigned []Assignment, versions []Terms) ([]InForce, error) {
	var out []InForce
	for i, a := range assigned {
		until := site.Date{Year: 9999, Month: 12, Day: 31}
		if i+1 < len(assigned) {
			until = assigned[i+1].From
		}
		set := ofSet(versions, a.Terms)
		if len(set) == 0 {
			return nil, fmt.Errorf("there are no terms %q", a.Terms)
		}
		out = append(out, within(set, a.From, until)...)
	}
	return out, nil
}

// Assignment of a set of terms to a property from a day on, until the next.
type Assignment struct {
	From  site.Date
	Terms string // name of the set
}

func ofSet(versions []Terms, name string) []Terms {
	var out []Terms
	for _, v := range versions {
		if v.Name == name {
			out = append(out, v)
		}
	}
	slices.SortFunc(out, func(a, b Terms) int { return a.Version - b.Version })
	return out
}

// within are the versions of a set that hold at some day in [from, until). The
// first version holds from the start.
func within(set []Terms, from, until site.Date) []InForce {
	var out []InForce
	for i, v := range set {
		begins := from
		if i > 0 && from.Before(v.Effective) {
			begins = v.Effective
		}
		if !begins.Before(until) {
			break
		}
		if n := len(out); n > 0 && out[n-1].From == begins {
			out[n-1].Terms = v // an older version that was over before the assignment
			continue
		}
		out = append(out, InForce{begins, v})
	}
	return out
}
