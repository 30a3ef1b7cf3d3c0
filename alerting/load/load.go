// Package load works out how much a fleet's alarms ask of the people who answer
// them: the performance figures of ANSI/ISA-18.2-2016 (clause 16) and EEMUA 191.
//
// It reports; it does not claim conformity. The figures were made for staffed
// control rooms, in which one operator sits before one console; somebody who
// looks after forty houses beside other work is not that operator, and meeting
// a figure proves nothing. They are a yardstick that engineers know.
//
// Where the publications leave room, this is what is meant here:
//
//   - Only annunciations count: alarms that were shown to somebody, each once,
//     at the time at which it could be known. What clears, is acknowledged or
//     withdrawn later is no further annunciation, and a rise in priority of an
//     alarm that stands is none either (it is reported as escalations). What
//     was suppressed by design or shelved when it began is counted apart.
//   - Intervals of ten minutes are regular ones, aligned to the clock (UTC), and
//     "above" is more than ten in one of them.
//   - A flood begins with the eleventh alarm in any ten minutes (rolling) and
//     ends when the ten minutes that follow hold fewer than five; see Floods.
//   - A chattering alarm is one condition at one point of one property that is
//     raised three times or more within an hour. The definition names no number
//     and the rules in use (three in a minute) are for signals that are sampled
//     by the second; the delays of our conditions are minutes to days.
//   - The alarms of a regional event (package region) count as one, annunciated
//     with the first of them and of the highest of their priorities: people are
//     told once of a storm over forty houses.
//   - A stale alarm has stood annunciated for more than 24 hours.
package load

import (
	"cmp"
	"slices"
	"time"

	"underkeep/alerting"
	"underkeep/store/site"
)

// State is how an alarm stands, or began, towards people.
type State uint8

// The states that the figures tell apart.
const (
	Annunciated State = iota // shown, whether answered or not
	Shelved                  // put aside by a person for a time
	OutOfService
	SuppressedByDesign // not shown: a cause explains it
)

// Alarm is one alarm as the figures need it.
type Alarm struct {
	Property  string
	Condition site.Condition
	Point     string // "" for property-wide conditions
	Priority  alerting.Priority
	// KnownAt is when it was annunciated (receipt time): people are told when
	// it can be known, however long it has held by then.
	KnownAt time.Time
	// EndedAt is when it was cleared or withdrawn; zero while it stands.
	EndedAt time.Time
	// Escalations after it was raised.
	Escalations int
	// RegionalEvent that its call-out is part of; 0 none. The alarms of one event
	// count as one.
	RegionalEvent int64
	Began         State // what it was as it began; only Annunciated counts as an alarm
	Now           State // what it is now
	// AwayAt is since when it is shelved or out of service, where Now says so.
	AwayAt time.Time
}

// Period is what the figures are of.
type Period struct {
	From, To  time.Time // From inclusive, To exclusive
	Operators int       // who share the alarms; at least 1
}

// The limits of the published figures.
const (
	Interval      = 10 * time.Minute
	FloodAbove    = 10 // alarms in an interval; more make a flood
	FloodEndBelow = 5  // alarms in an interval; fewer end it
	StaleAfter    = 24 * time.Hour
	StaleMost     = 5 // "less than five on any day": five are too many
	ChatterCount  = 3
	ChatterWithin = time.Hour
	// LeastPeriod is the data that the figures ask for at least.
	LeastPeriod = 30 * 24 * time.Hour
)

// Report of one period. Rates and floods are per operator: the alarms of the
// fleet divided by the operators, for nothing says who gets which.
type Report struct {
	Period
	Alarms      int // annunciated in the period
	Escalations int // of these
	Joined      int // shown as part of a regional event that was counted already
	Regional    int // regional events among Alarms
	Suppressed  int // by design: began in the period and shown to nobody
	Held        int // began in the period while shelved or out of service

	// How many stand at the end of the period and are put aside by people.
	ShelvedNow, OutOfServiceNow int

	PerHour, Per10Min, PerDay float64 // mean, per operator
	MostPer10Min              float64 // most in one clock-aligned interval, per operator
	Intervals                 int     // clock-aligned intervals in the period, begun ones included
	IntervalsAbove            int     // of these with more than ten alarms per operator

	Floods      []Flood
	TimeInFlood time.Duration

	Chattering []Count // by times raised, most first
	Stale      int     // standing at the end for more than 24 h
	MostStale  int     // most at the end of any day of the period

	TopTen     []Count // the ten that were raised most
	ByPriority [alerting.Urgent + 1]int
}

// Count is how often one condition at one point of one property was raised.
type Count struct {
	Property  string
	Condition site.Condition
	Point     string
	Alarms    int
}

// Enough says whether the period is long enough for the figures to mean much.
func (r *Report) Enough() bool { return r.To.Sub(r.From) >= LeastPeriod }

// ShareAbove is the share of intervals with more than ten alarms.
func (r *Report) ShareAbove() float64 { return ratio(float64(r.IntervalsAbove), float64(r.Intervals)) }

// ShareInFlood is the share of the period spent in floods.
func (r *Report) ShareInFlood() float64 {
	return ratio(r.TimeInFlood.Seconds(), r.To.Sub(r.From).Seconds())
}

// ShareTopTen is the share of all alarms that the top ten make.
func (r *Report) ShareTopTen() float64 {
	n := 0
	for _, c := range r.TopTen {
		n += c.Alarms
	}
	return ratio(float64(n), float64(r.Alarms))
}

// SharePriority is the share of all alarms with this priority.
func (r *Report) SharePriority(p alerting.Priority) float64 {
	return ratio(float64(r.ByPriority[p]), float64(r.Alarms))
}

func ratio(a, b float64) float64 {
	if b == 0 {
		return 0
	}
	return a / b
}

// Compute works the figures out. alarms may come in any order and hold others
// than those of the period: what began before it and still stood in it counts
// as stale where it is. A period that is empty has a Report of zeros.
func Compute(p Period, alarms []Alarm) Report {
	p.Operators = max(p.Operators, 1)
	r := Report{Period: p}
	if !p.To.After(p.From) {
		return r
	}
	shown := r.count(alarms)
	slices.SortFunc(shown, inOrder)
	r.rates(shown)
	times := make([]time.Time, len(shown))
	for i := range shown {
		times[i] = shown[i].KnownAt
	}
	r.Floods = Floods(times, p.To, p.Operators)
	for _, f := range r.Floods {
		r.TimeInFlood += f.To.Sub(f.From)
	}
	r.rank(shown)
	r.standing(alarms)
	return r
}

// count sorts out what was annunciated in the period.
func (r *Report) count(alarms []Alarm) []Alarm {
	var shown []Alarm
	for _, a := range alarms {
		if a.KnownAt.Before(r.From) || !a.KnownAt.Before(r.To) {
			continue
		}
		switch a.Began {
		case SuppressedByDesign:
			r.Suppressed++
		case Shelved, OutOfService:
			r.Held++
		default:
			r.Escalations += a.Escalations
			shown = append(shown, a)
		}
	}
	shown = r.fold(shown)
	r.Alarms = len(shown)
	for _, a := range shown {
		if int(a.Priority) < len(r.ByPriority) {
			r.ByPriority[a.Priority]++
		}
	}
	return shown
}

// fold makes one of the alarms of each regional event: the first, with the
// highest of their priorities.
func (r *Report) fold(shown []Alarm) []Alarm {
	first := map[int64]int{}
	out := shown[:0]
	for _, a := range shown {
		i, known := first[a.RegionalEvent]
		if a.RegionalEvent == 0 || !known {
			first[a.RegionalEvent] = len(out)
			out = append(out, a)
			continue
		}
		r.Joined++
		highest := max(out[i].Priority, a.Priority)
		if inOrder(a, out[i]) < 0 {
			out[i] = a
		}
		out[i].Priority = highest
	}
	delete(first, 0)
	r.Regional = len(first)
	return out
}

func inOrder(a, b Alarm) int {
	return cmp.Or(a.KnownAt.Compare(b.KnownAt), cmp.Compare(a.Property, b.Property),
		cmp.Compare(a.Condition, b.Condition), cmp.Compare(a.Point, b.Point))
}

// rates over the whole period and in intervals aligned to the clock.
func (r *Report) rates(shown []Alarm) {
	operators, hours := float64(r.Operators), r.To.Sub(r.From).Hours()
	r.PerHour = float64(r.Alarms) / operators / hours
	r.Per10Min, r.PerDay = r.PerHour/6, r.PerHour*24
	first := r.From.UTC().Truncate(Interval)
	r.Intervals = int((r.To.Sub(first) + Interval - 1) / Interval)
	for i := 0; i < len(shown); {
		end := shown[i].KnownAt.UTC().Truncate(Interval).Add(Interval)
		n := 0
		for ; i < len(shown) && shown[i].KnownAt.Before(end); i++ {
			n++
		}
		each := float64(n) / operators
		r.MostPer10Min = max(r.MostPer10Min, each)
		if each > FloodAbove {
			r.IntervalsAbove++
		}
	}
}

// standing counts what stands at the end of the period, and what had stood
// annunciated for more than a day, there and at the end of each day before.
func (r *Report) standing(alarms []Alarm) {
	for _, a := range alarms {
		if a.stands(r.To) && a.Now == Shelved {
			r.ShelvedNow++
		}
		if a.stands(r.To) && a.Now == OutOfService {
			r.OutOfServiceNow++
		}
	}
	for t := r.To; t.After(r.From); t = t.Add(-24 * time.Hour) {
		n := 0
		events := map[int64]bool{}
		for i := range alarms {
			if !alarms[i].stale(t) || events[alarms[i].RegionalEvent] {
				continue
			}
			if n++; alarms[i].RegionalEvent != 0 {
				events[alarms[i].RegionalEvent] = true
			}
		}
		if t == r.To {
			r.Stale = n
		}
		r.MostStale = max(r.MostStale, n)
	}
}

func (a *Alarm) stands(t time.Time) bool {
	return a.KnownAt.Before(t) && (a.EndedAt.IsZero() || a.EndedAt.After(t))
}

func (a *Alarm) stale(t time.Time) bool {
	away := !a.AwayAt.IsZero() && !a.AwayAt.After(t)
	return a.Began == Annunciated && !away && a.stands(t) && t.Sub(a.KnownAt) > StaleAfter
}
