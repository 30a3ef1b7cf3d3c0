package outlook

import (
	"math"
	"time"

	"underkeep/alerting/air"
)

// Limit that a trend is held against.
type Limit struct {
	Value  float64
	Rising bool // reached from below; else from above
}

// beyond says whether a value is on the far side.
func (l Limit) beyond(v float64) bool {
	if l.Rising {
		return v > l.Value
	}
	return v < l.Value
}

// Verdict of a trend.
type Verdict string

// The verdicts.
const (
	Beyond     Verdict = "beyond"      // on the far side already
	Crosses    Verdict = "crosses"     // within WithinHours at the present trend
	NoCrossing Verdict = "no-crossing" // not within WithinHours, at 90 %
	Unsteady   Verdict = "unsteady"    // neither can be said
	TooLittle  Verdict = "too-little"  // not enough recent readings
)

// Confidence of the ranges of trends.
const Confidence = 0.9

// Trend of one series towards one limit. Values are in the series' unit.
//
// Relative humidity is extrapolated itself, and not as vapour pressure and
// temperature apart: between wood and soil the air's vapour pressure follows
// temperature while its RH hardly moves, so the errors of the two are nearly
// the same and would be counted twice. [Parts] tells what moved it.
type Trend struct {
	Verdict Verdict
	Reason  string // of Unsteady and TooLittle, in plain words
	Limit   Limit

	Now         float64 // median of the last half hour with readings
	HasNow      bool    // false: no reading is recent enough
	SlopePerDay Range   // infinite ends: not bounded
	DataHours   float64 // what the line was taken over
	Steps       int     // medians behind the line
	DailySwing  float64 // height of the daily cycle taken into account; 0: not known
	// WithinHours is how far the readings support an answer, at most 7 days.
	WithinHours float64
	// Hours until the limit is reached: at the likeliest trend, and the earliest
	// and latest of the 90 % interval. High is infinite when the interval does
	// not end within WithinHours. Set for Crosses.
	Hours Range
}

// scale is one way of looking back: the line is taken over count steps and is
// carried no farther than reach.
type scale struct {
	step  time.Duration
	count int
	reach float64 // hours
}

// scales from what goes on now to what goes on for days. Half a day may be
// carried one day ahead, two days three, and a week of days a week: nothing is
// carried farther than twice what is behind it.
var scales = []scale{
	{time.Hour, 12, 24},
	{2 * time.Hour, 24, 72},
	{24 * time.Hour, 7, 168},
}

const (
	leastCovered = 0.75          // of the steps must have readings
	staleAfter   = 2 * time.Hour // without a reading nothing is said of the present
)

// TrendTo holds the samples (by rising time) against a limit at now.
//
// The shortest scale whose whole 90 % interval of the slope points at the limit
// decides; what a shorter scale has excluded, a longer one cannot bring back. The
// daily cycle of the days before is added to every line, so that a limit that
// only the afternoon reaches is reached in the afternoon.
func TrendTo(samples []Sample, limit Limit, now time.Time) Trend {
	t := Trend{Verdict: TooLittle, Limit: limit}
	latest, ok := presentValue(samples, now)
	if !ok {
		t.Reason = "no reading in the last two hours"
		return t
	}
	t.Now, t.HasNow = latest, true
	cycle := cycleOf(samples, now)
	t.DailySwing = cycle.swing()
	if limit.beyond(latest) {
		t.Verdict = Beyond
	}
	if !cycle.known {
		if t.Verdict == TooLittle {
			t.Reason = "less than five days of readings, so that the daily ups and downs are not known yet"
		}
		return t
	}
	stray := wanderOf(samples, now, cycle)
	excluded := 0.0 // hours within which no crossing is left possible
	blocked := false
	for _, sc := range scales {
		f, ok := fitScale(samples, now, sc, cycle)
		if !ok {
			continue
		}
		f.wander, f.present = stray, latest-cycle.at(0)
		if t.Steps == 0 {
			t.describe(f) // the shortest, unless a longer one decides
		}
		if t.Verdict == Beyond {
			return t
		}
		verdict, hours := f.judge(limit)
		if verdict == Crosses && hours.Value >= excluded {
			t.describe(f)
			hours.Low = math.Max(hours.Low, excluded)
			t.Verdict, t.Hours, t.WithinHours, t.Reason = Crosses, hours, sc.reach, ""
			return t
		}
		if verdict == NoCrossing && !blocked {
			t.describe(f)
			t.Verdict, excluded, t.WithinHours = NoCrossing, sc.reach, sc.reach
			continue
		}
		blocked = true
		if t.Verdict != NoCrossing {
			t.Verdict = Unsteady
		}
	}
	return t.explained()
}

// explained gives the reason where nothing could be said.
func (t Trend) explained() Trend {
	switch t.Verdict {
	case TooLittle:
		t.Reason = "less than 9 of the last 12 hours have readings"
	case Unsteady:
		t.Reason = "the readings go up and down too much to say whether the limit will be reached"
	}
	return t
}

func presentValue(samples []Sample, now time.Time) (float64, bool) {
	for _, v := range bins(samples, now, 30*time.Minute, int(staleAfter/(30*time.Minute))) {
		if !math.IsNaN(v) {
			return v, true
		}
	}
	return 0, false
}

// fit is a line on one scale, hours before and after now on its x axis.
type fit struct {
	line
	scale
	cycle  dayCycle
	wander wander
	steps  int
	// present value, its daily cycle taken out.
	present float64
}

func fitScale(samples []Sample, now time.Time, sc scale, cycle dayCycle) (fit, bool) {
	all := bins(samples, now, sc.step, int(Back/sc.step))
	xs, ys := sc.window(all, 0, cycle)
	if !sc.covered(xs) {
		return fit{}, false
	}
	f := fit{line: fitLine(xs, ys), scale: sc, cycle: cycle, steps: len(xs)}
	f.widen(z90 * sc.usualWander(all, cycle))
	return f, true
}

// window is the points of the count steps that ended first steps ago, by
// rising hour, the daily cycle taken out.
func (sc scale) window(all []float64, first int, cycle dayCycle) (xs, ys []float64) {
	for k := first + sc.count - 1; k >= first; k-- {
		if math.IsNaN(all[k]) {
			continue
		}
		x, y := -(float64(k)+0.5)*sc.step.Hours(), all[k]
		if sc.step < 24*time.Hour { // a whole day's median holds no cycle
			y -= cycle.at(x)
		}
		xs, ys = append(xs, x), append(ys, y)
	}
	return xs, ys
}

func (sc scale) covered(xs []float64) bool {
	return float64(len(xs)) >= leastCovered*float64(sc.count)
}

// usualWander is the robust standard deviation of the slopes of earlier windows
// of the same length: what this place does without meaning anything. A window
// of half a day cannot know it from its own residuals when the air remembers for
// half a day; a trend that has gone on all week does not wander. 0 where fewer
// than five windows tell.
func (sc scale) usualWander(all []float64, cycle dayCycle) float64 {
	const least = 5
	var slopes []float64
	for first := sc.count; first+sc.count <= len(all); first += sc.count / 2 {
		if xs, ys := sc.window(all, first, cycle); sc.covered(xs) {
			slopes = append(slopes, median(pairSlopes(xs, ys)))
		}
	}
	if len(slopes) < least {
		return 0
	}
	return deviation(slopes)
}

func (t *Trend) describe(f fit) {
	t.SlopePerDay = Range{24 * f.slope, 24 * f.slopeLow, 24 * f.slopeHigh}
	t.DataHours, t.Steps = f.step.Hours()*float64(f.count), f.steps
}

// judge says whether the line reaches the limit within the scale's reach.
func (f fit) judge(limit Limit) (Verdict, Range) {
	fast, slow, up := f.slopeHigh, f.slopeLow, 1.0
	if !limit.Rising {
		fast, slow, up = f.slopeLow, f.slopeHigh, -1.0
	}
	// Three things can go otherwise: the trend is another, the air strays from it,
	// or it ends now (what falls fast in the morning is back by night). The range
	// takes in each by itself. One standard deviation of scatter lets an early
	// touch be no surprise.
	earliest := min(f.crossing(limit, fast, up*(f.levelErr+f.scatter), 0), f.crossing(limit, f.slope, 0, up),
		f.crossing(limit, 0, f.present-f.level, up))
	likely := f.crossing(limit, f.slope, 0, 0)
	latest := f.crossing(limit, slow, -up*f.levelErr, -up) // both: a range that is left open is no harm
	switch {
	case math.IsInf(earliest, 1):
		return NoCrossing, Range{}
	case math.IsInf(likely, 1) || up*slow <= 0:
		return Unsteady, Range{}
	}
	return Crosses, Range{likely, earliest, latest}
}

// crossing is the first hour from now, 0 to reach, at which the line with the
// given slope and shift meets the limit, strayed by that share of the usual
// wander; infinite when it does not.
func (f fit) crossing(limit Limit, slope, shift, strayed float64) float64 {
	at := func(h float64) float64 {
		return f.level + shift + slope*(h-f.pivot) + f.cycle.at(h) + strayed*f.wander.at(h) - limit.Value
	}
	sign := 1.0
	if !limit.Rising {
		sign = -1
	}
	before := sign * at(0)
	if before >= 0 {
		return 0
	}
	const step = 0.5 // the cycle is straight between its half hours
	for h := step; h <= f.reach; h += step {
		v := sign * at(h)
		if v >= 0 {
			return h - step*v/(v-before)
		}
		before = v
	}
	return math.Inf(1)
}

// Parts of a trend of relative humidity, %RH per day each; they add up to the
// slope.
type Parts struct {
	Temperature float64 // the air cools (rising RH) or warms
	Moisture    float64 // vapour comes or goes
}

// partsOf splits dRH/dt = RH (dln e/dt - dln es/dT · dT/dt), which follows from
// RH = e/es(T).
func partsOf(temp []Sample, t Trend, now time.Time) *Parts {
	i := 0
	for i < len(scales) && scales[i].step.Hours()*float64(scales[i].count) != t.DataHours {
		i++
	}
	tempNow, ok := presentValue(temp, now)
	if i == len(scales) || !ok {
		return nil
	}
	f, ok := fitScale(temp, now, scales[i], cycleOf(temp, now))
	if !ok {
		return nil
	}
	const half = 0.05 // K
	perK := math.Log(air.FastSaturationPa(tempNow+half)/air.FastSaturationPa(tempNow-half)) / (2 * half)
	cooling := -t.Now * perK * 24 * f.slope
	return &Parts{Temperature: cooling, Moisture: t.SlopePerDay.Value - cooling}
}
