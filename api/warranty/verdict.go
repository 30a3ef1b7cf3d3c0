package warranty

import (
	"time"

	"underkeep/store/site"
)

// Verdict on the conditions at a property over a period, with everything that
// it rests on. Its JSON is what the API answers and what a bundle holds.
type Verdict struct {
	Property string    `json:"property"`
	Zone     string    `json:"timezone"`
	From     time.Time `json:"from"` // judged; whole local days
	To       time.Time `json:"to"`
	Days     int       `json:"days"`
	Outcome  Outcome   `json:"verdict"`
	Summary  string    `json:"summary"`
	Rule     string    `json:"decision_rule"`
	Pieces   []Piece   `json:"pieces"`
	Points   []Point   `json:"points"`

	Excursions []Excursion `json:"excursions"`
	Gaps       []Gap       `json:"gaps"`
	Exclusions []Exclusion `json:"exclusions"`
	Late       []Late      `json:"unwitnessed"`
	Alarms     []Alarm     `json:"alarms"`
	Visits     []Visit     `json:"visits"`
	Checks     []Check     `json:"sensor_checks"`
	Outages    []Outage    `json:"outages"`
	// Unsealed are the days whose readings are not in the signed log yet.
	Unsealed []string `json:"unsealed_days"`
	Cautions []string `json:"cautions"`
}

// Piece of the period under one version of terms.
type Piece struct {
	Terms   string    `json:"terms"` // "" where none were in force
	Version int       `json:"version,omitempty"`
	Title   string    `json:"title,omitempty"`
	From    time.Time `json:"from"`
	To      time.Time `json:"to"`
	Outcome Outcome   `json:"verdict"`
	// LimitRHPct of the humidity, 0 where the terms have none.
	LimitRHPct float64  `json:"humidity_limit_pct,omitempty"`
	Results    []Result `json:"results"`
}

// Result of one term, at one point where it has one.
type Result struct {
	Term    string  `json:"term"`
	Point   string  `json:"point,omitempty"`
	Party   string  `json:"party"` // whose part it is: company, owner, or data
	Applies bool    `json:"applies"`
	Outcome Outcome `json:"verdict,omitempty"`
	Unit    string  `json:"unit,omitempty"`
	Limit   float64 `json:"limit"`
	Best    float64 `json:"best_case"`
	Worst   float64 `json:"worst_case"`
	Reason  string  `json:"reason"`
	// Changed says what would have made another verdict of it.
	Changed string `json:"would_have_changed_it,omitempty"`
	// Behind is the stretch that decides, with the reading that stands out.
	Behind *Behind `json:"behind,omitempty"`
}

// Behind a result: when, and the reading that stands out most.
type Behind struct {
	From      time.Time  `json:"from"`
	To        time.Time  `json:"to"`
	At        *time.Time `json:"at,omitempty"`
	Corrected float64    `json:"corrected,omitempty"`
	Guard     float64    `json:"guard_band,omitempty"`
	Alarms    []string   `json:"alarms,omitempty"`
}

// Terms that are judged, by name.
const (
	TermLongestExcursion = "longest-excursion"
	TermAbovePerYear     = "hours-above"
	TermCoverage         = "coverage"
	TermLongestGap       = "longest-gap"
	TermMold             = "mold-index"
	TermWood             = "wood-moisture"
	TermDehumidifier     = "dehumidifier-power"
	TermPump             = "pump-power"
	TermService          = "service-interval"
	TermWork             = "work"
)

// TermNames lists the terms in the order in which they are judged.
func TermNames() []string {
	return []string{TermLongestExcursion, TermAbovePerYear, TermCoverage, TermLongestGap, TermMold, TermWood,
		TermDehumidifier, TermPump, TermService, TermWork}
}

// byData is the party of terms about what must be known.
const byData = "data"

// Point is what was known of one air point: by month and by day.
type Point struct {
	Point  string        `json:"point"`
	Months []MonthFigure `json:"months"`
	Trust  []TrustFigure `json:"trust"`
	// Line is the corrected humidity for a chart: hourly means for up to 40
	// days, else days with their extremes.
	Line []Sample `json:"-"`
	// Gap is the longest distance that the chart may bridge.
	Gap time.Duration `json:"-"`
}

// Sample of a chart line.
type Sample struct {
	At              time.Time
	Low, Mean, High float64
}

// MonthFigure sums up one calendar month at one point.
type MonthFigure struct {
	Month       string   `json:"month"` // 2026-03
	CoveragePct float64  `json:"coverage_pct"`
	LowPct      *float64 `json:"low_pct"` // corrected %RH; null without readings
	MeanPct     *float64 `json:"mean_pct"`
	HighPct     *float64 `json:"high_pct"`
	AboveHours  float64  `json:"hours_above"`       // certainly
	WorstHours  float64  `json:"hours_above_worst"` // at most
	GapHours    float64  `json:"hours_not_known"`
	OpenHours   float64  `json:"hours_undecided"` // within the guard band
}

// TrustFigure is how the sensor of a point was taken from a day on.
type TrustFigure struct {
	From        string  `json:"from"` // day
	OffsetPct   float64 `json:"offset_pct"`
	StandardPct float64 `json:"standard_uncertainty_pct"`
	GuardPct    float64 `json:"guard_band_pct"`
}

// Excursion above the humidity limit, certain or not.
type Excursion struct {
	Point     string    `json:"point"`
	From      time.Time `json:"from"`
	To        time.Time `json:"to"`
	SureHours float64   `json:"hours_certainly_above"`
	Hours     float64   `json:"hours"`
	PeakPct   float64   `json:"peak_pct"` // corrected
	PeakAt    time.Time `json:"peak_at"`
	Alarms    []string  `json:"alarms"`
}

// Gap in what is known of a point.
type Gap struct {
	Point string    `json:"point"`
	From  time.Time `json:"from"`
	To    time.Time `json:"to"`
	Hours float64   `json:"hours"`
}

// Exclusion is time that counts neither way.
type Exclusion struct {
	Kind string    `json:"kind"`
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
	Why  string    `json:"why"`
	// Sure is false where it is left out in the best case only.
	Sure bool `json:"sure"`
}

// Kinds of exclusion.
const (
	Commissioning = "commissioning"
	DuringVisit   = "visit"
	DuringOutage  = "reported-outage"
	PowerCut      = "power-cut"
)

// Late readings that prove nothing.
type Late struct {
	Point    string    `json:"point"`
	Quantity string    `json:"quantity"`
	Readings int       `json:"readings"`
	From     time.Time `json:"from"`
	To       time.Time `json:"to"`
}

// cautions are what a verdict is not.
var cautions = []string{
	"This is a statement about readings of sensors, under the terms named. It is no mold inspection: the mold index is a model of the chance of growth on a class of material, and only a look on site says what grows.",
	"It is no radon test. A sealed space can hold radon, and no reading here says anything about it: have it tested.",
	"Underkeep is no life-safety system, and this is no structural, electrical or combustion-safety inspection. Local codes and licensed practice come first.",
	"Before entering a space with standing water, have the power there turned off at the panel. Do not go alone.",
}

// Cautions lists what a verdict is not, and what to beware of.
func Cautions() []string { return append([]string(nil), cautions...) }

func monthName(m month) string { return site.Date{Year: m.year, Month: m.name, Day: 1}.String()[:7] }
