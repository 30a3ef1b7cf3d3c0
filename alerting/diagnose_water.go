package alerting

import (
	"fmt"
	"math"
	"slices"

	"underkeep/store/site"
)

// whyWater weighs the pump's cycles, the rain and the power.
func (e *engine) whyWater(f *findings, c site.Condition, at int64) {
	p := e.pumpPicture(at)
	for _, dead := range e.deadCircuits() {
		if c != site.LeakAlarm && (dead == "" || dead == "pump") {
			cause, why := causeMains, "the house has no power"
			if dead == "pump" {
				cause, why = causePumpPower, "the pump's outlet has no power"
			}
			f.add(0.97, cause, why)
		}
	}
	switch c {
	case site.PumpShortCycling:
		e.whyShort(f, p)
	case site.PumpRunOn:
		e.whyRunOn(f, p)
	case site.PumpWeak:
		e.whyWeak(f, p)
	case site.PumpSilentInRain:
		f.add(0.8, causePumpDead, p.rain, expected(e.st.Rain.Response.ExpectedCycles(at)))
	case site.WaterUnexplained:
		e.whyUnexplained(f, p, at)
	case site.HighWaterAlarm, site.BackupPumpRan:
		e.whyHigh(f, p)
	case site.LeakAlarm:
		e.whyLeak(f, p)
	}
}

// expected puts into words what a working pump would have done. By the rain alone
// less than one cycle may be due while the water itself shows that one was.
func expected(cycles float64) string {
	if n := math.Round(cycles); n >= 2 {
		return fmt.Sprintf("a working pump would have run about %.0f times", n)
	}
	return "a working pump would have stayed silent with a chance of 1 % at most"
}

// pumpPicture is what the pump did in the last hours.
type pumpPicture struct {
	recent     []cycle
	run, rest  float64 // medians of the recent cycles, s; NaN without
	restSpread float64 // spread of the rests, share of their median
	lastRun    float64 // median of the last three runs, s; NaN without
	lastRest   float64 // median of the last four rests, s; NaN without
	lastSpread float64 // their range, share of that median
	restFell   float64 // largest factor by which a rest fell short of the one before it
	swelling   bool    // the last rests shrank step by step
	rained     bool
	rainDay    float64 // mm
	rain       string
	sinceLast  int64
	running    bool
	drawDown   float64 // s
}

func (e *engine) pumpPicture(at int64) pumpPicture {
	st := &e.st.Pump
	p := pumpPicture{run: math.NaN(), lastRun: math.NaN(), lastRest: math.NaN(), rest: math.NaN(), drawDown: e.baseline(), running: st.OnSince != 0}
	p.rainDay = rainWithin(e.st.Rain.Events, at, µsDay)
	p.rained = e.rainExplains(at)
	p.rain = fmt.Sprintf("%.1f mm of rain in the last 24 h", p.rainDay)
	if p.rainDay == 0 && !e.rainHeard() {
		p.rain = "rain is not known here"
	}
	p.sinceLast = at - st.LastEnd
	n := len(st.Cycles)
	p.recent = st.Cycles[max(0, n-10):]
	var runs, rests []float64
	for i, c := range p.recent {
		runs = append(runs, float64(c.End-c.Start)/1e6)
		if i > 0 {
			rest := float64(c.Start-p.recent[i-1].End) / 1e6
			if n := len(rests); n > 0 {
				p.restFell = max(p.restFell, rests[n-1]/max(rest, 1))
			}
			rests = append(rests, rest)
		}
	}
	p.swelling = swelling(rests)
	if m, ok := median(slices.Clone(runs[max(0, len(runs)-3):])); ok {
		p.lastRun = m
	}
	last := slices.Clone(rests[max(0, len(rests)-4):])
	if m, ok := median(last); ok {
		p.lastRest, p.lastSpread = m, (last[len(last)-1]-last[0])/max(m, 1)
	}
	if m, ok := median(runs); ok {
		p.run = m
	}
	if m, ok := median(rests); ok {
		p.rest = m
		p.restSpread = (rests[len(rests)*3/4] - rests[len(rests)/4]) / max(m, 1)
	}
	return p
}

// swelling: over the last four rests the inflow grew, in no single leap. Ground
// water rises so; a pipe that breaks does not.
func swelling(rests []float64) bool {
	if len(rests) < 4 {
		return false
	}
	last := rests[len(rests)-4:]
	for i := range 3 {
		if last[i] > 2*last[i+1] {
			return false
		}
	}
	return last[0] > 1.3*last[3]
}

// whyShort: a short run after a long rest is a narrow float; a short rest
// without rain is water that runs back; with rain it is inflow.
func (e *engine) whyShort(f *findings, p pumpPicture) {
	figures := fmt.Sprintf("runs of %.0f s, rests of %.0f s", p.lastRun, p.lastRest)
	shortRun := p.drawDown > 0 && p.lastRun < 0.6*p.drawDown
	switch {
	case shortRun && p.lastRest > 60 && p.lastSpread < 0.05:
		// A protector keeps its own time; water does not.
		f.add(0.85, causePumpDead, figures, "even pulses: the motor's protector lets it try again and again")
		f.add(0.5, causeFloatNarrow, figures)
	case !shortRun && p.restFell > 20:
		// Inflow swells from cycle to cycle; a check valve fails at once.
		f.add(0.85, causeCheckValve, figures, fmt.Sprintf("from one run to the next the rest fell to a %.0fth", p.restFell))
		f.add(0.4, causeInflow, p.rain)
	case p.rained && !shortRun:
		f.add(0.85, causeInflow, p.rain, figures)
		f.add(0.4, causeCheckValve, figures)
	case shortRun && p.lastRest < 240:
		f.add(0.8, causeCheckValve, figures, fmt.Sprintf("a full draw-down lasts %.0f s: only what runs back is pumped", p.drawDown))
		f.add(0.6, causeFloatNarrow, figures)
	case shortRun:
		f.add(0.8, causeFloatNarrow, figures, fmt.Sprintf("a full draw-down lasts %.0f s", p.drawDown))
		f.add(0.4, causeCheckValve, figures)
	default:
		f.add(0.75, causeCheckValve, figures, "no rain explains so short a rest")
		f.add(0.5, causeInflow, figures)
	}
}

func (e *engine) whyRunOn(f *findings, p pumpPicture) {
	weakening := p.drawDown > 0 && len(p.recent) >= 3 && p.run > 1.4*p.drawDown
	level := e.levelLow()
	switch {
	case level:
		f.add(0.95, causeFloatStuck, "the pump runs although the water is below its off level")
	case p.rained && p.rainDay >= 10 && p.rest < 120:
		f.add(0.85, causeOverCapacity, p.rain, fmt.Sprintf("rests of %.0f s before", p.rest))
		f.add(0.5, causeBlocked, "or it moves less than it should")
	case weakening:
		f.add(0.85, causeBlocked, fmt.Sprintf("runs had grown to %.0f s, a draw-down lasts %.0f s", p.run, p.drawDown))
	case p.rained && p.rainDay >= 10:
		f.add(0.6, causeOverCapacity, p.rain)
		f.add(0.55, causeBlocked, "runs without lowering the water")
	default:
		f.add(0.65, causeFloatStuck, "no heavy rain explains so long a run", p.rain)
		f.add(0.6, causeBlocked, "or the water does not leave")
	}
}

func (e *engine) levelLow() bool {
	for _, i := range e.pr.levels {
		if v, ok := e.value(i); ok && e.pr.site.Sump != nil && e.pr.site.Sump.FloatOffM > 0 && v < 1000*e.pr.site.Sump.FloatOffM {
			return true
		}
	}
	return false
}

func (e *engine) whyWeak(f *findings, p pumpPicture) {
	figures := fmt.Sprintf("runs of %.0f s against %.0f s", p.run, p.drawDown)
	if before, ok := e.runsBeforeWeak(); ok && before > 1.2*p.drawDown {
		f.add(0.8, causeImpeller, figures, fmt.Sprintf("grown slowly: %.0f s before", before))
		f.add(0.5, causeBlocked, figures)
		return
	}
	f.add(0.8, causeBlocked, figures, "from one cycle to the next")
	f.add(0.5, causeImpeller, figures)
}

// runsBeforeWeak is the median run, s, of the like cycles just before the weak ones.
func (e *engine) runsBeforeWeak() (float64, bool) {
	runs, weak := e.st.Pump.LikeRuns, e.st.Pump.WeakStreak
	end := len(runs) - weak
	if end < 2 {
		return 0, false
	}
	return median(slices.Clone(runs[max(0, end-4):end]))
}

func (e *engine) whyUnexplained(f *findings, p pumpPicture, at int64) {
	norm, _ := e.normL()
	figures := fmt.Sprintf("%.0f L in 24 h, the dry-weather norm is %.0f L", e.volumeWithin(at, µsDay), norm)
	out, freezing := e.outdoorTemp()
	switch {
	case freezing && out > 0 && !(p.restSpread < 0.35) && !e.grewOverDays(at):
		// Melt water comes by day and rests by night; ground water and pipes do not.
		f.add(0.6, causeSnowMelt, figures, fmt.Sprintf("outdoors %.1f °C after frost", out))
		f.add(0.5, causePlumbing, figures)
	case e.comesAtItsHours(at, norm):
		f.add(0.75, causeIrrigation, figures, "comes at its hours, with hours of rest between")
		f.add(0.5, causePlumbing, figures)
	case p.swelling || e.grewOverDays(at):
		f.add(0.75, causeSpring, figures, "rose from day to day, not at once")
		f.add(0.5, causePlumbing, figures)
	case e.firstMorning(at):
		f.add(0.7, causeIrrigation, figures, "began in the early morning after hours of rest; see whether it ends by itself")
		f.add(0.6, causePlumbing, figures)
	case p.restSpread < 0.35 && e.volumeWithin(at-µsDay, µsDay) >= 0.8*e.volumeWithin(at, µsDay):
		// As much the day before: it is called now because the rain no longer counts, and
		// what goes on after rain is ground water more often than a pipe.
		f.add(0.7, causeSpring, figures, "as much on the day before, since the rain")
		f.add(0.6, causePlumbing, figures, fmt.Sprintf("steady: rests of %.0f s vary little", p.rest))
	case p.restSpread < 0.35:
		f.add(0.8, causePlumbing, figures, fmt.Sprintf("began at once and is steady: rests of %.0f s vary little", p.rest))
		f.add(0.4, causeSpring, figures)
	default:
		f.add(0.6, causePlumbing, figures, "began at once")
		f.add(0.5, causeSpring, figures)
	}
}

// comesAtItsHours: in the last two days water came before and after a rest of
// eight hours or more, before it far more than the condensate of such hours.
func (e *engine) comesAtItsHours(at int64, normL float64) bool {
	cs := e.st.Pump.Cycles
	for i := len(cs) - 1; i > 0; i-- {
		if cs[i].Start-cs[i-1].End >= 8*µsHour && e.volumeWithin(cs[i-1].End, 8*µsHour) > normL {
			return true
		}
	}
	return false
}

// firstMorning: what runs now began between three and eight in the morning of
// the house, less than four hours ago and after hours of rest, outside the cold
// season. Common practice, no source.
func (e *engine) firstMorning(at int64) bool {
	cs := e.st.Pump.Cycles
	i := len(cs) - 1
	for i > 0 && cs[i].Start-cs[i-1].End < 2*µsHour {
		i--
	}
	if i < 0 || at-cs[i].Start > 4*µsHour {
		return false
	}
	hour := timeAt(cs[i].Start).In(e.pr.zone).Hour()
	out, freezing := e.outdoorTemp()
	return hour >= 3 && hour < 8 && !freezing && (out > 8 || out == 0)
}

// grewOverDays: of the last day and a half each half day brought no less than the
// one before and at most two and a half times as much. Ground water comes so; a
// pipe that breaks is called within the first of them.
func (e *engine) grewOverDays(at int64) bool {
	const half = 12 * µsHour
	first := e.volumeWithin(at-2*half, half)
	second, third := e.volumeWithin(at-half, half), e.volumeWithin(at, half)
	return first > 0 && second >= first && third >= second && second <= 2.5*first && third <= 2.5*second && third > 1.3*first
}

// outdoorTemp, and whether the last two days had frost.
func (e *engine) outdoorTemp() (float64, bool) {
	for i := range e.pr.airs {
		tr, series := e.trackOf(i, site.AirTemp)
		if !e.pr.airs[i].outdoors || tr == nil {
			continue
		}
		v, _ := e.value(series)
		return v, slices.ContainsFunc(tr.Least, func(x float32) bool { return x < 0 })
	}
	return 0, false
}

func (e *engine) whyHigh(f *findings, p pumpPicture) {
	recent := p.sinceLast < 30*µsMinute || p.running
	switch {
	case recent && p.drawDown > 0 && p.lastRun < 0.7*p.drawDown:
		f.add(0.85, causePumpDead, fmt.Sprintf("runs of %.0f s do not lower the water, a draw-down lasts %.0f s", p.lastRun, p.drawDown))
	case recent && p.drawDown > 0 && p.run > 1.4*p.drawDown && !(p.rained && p.rest < 120):
		f.add(0.85, causeBlocked, fmt.Sprintf("runs of %.0f s, a draw-down lasts %.0f s", p.run, p.drawDown))
	case recent && p.rained:
		f.add(0.85, causeOverCapacity, p.rain)
		f.add(0.5, causeBlocked, "the pump runs, yet the water rises")
	case recent:
		f.add(0.75, causeBlocked, "the pump runs, yet the water rises")
	default:
		silence := "water high, no pump cycle ever"
		if e.st.Pump.LastEnd != 0 {
			silence = fmt.Sprintf("water high, no pump cycle for %.1f h", float64(p.sinceLast)/float64(µsHour))
		}
		f.add(0.85, causePumpDead, silence, p.rain)
	}
}

// rootOf is the first cause of an alarm that stands, so that what follows from
// it names the same and shares its call-out.
func (e *engine) rootOf(c site.Condition) (string, bool) {
	for _, list := range [][]episode{e.st.Open, e.provisional} {
		for i := range list {
			if ep := &list[i]; ep.Condition == c && ep.By == "" && len(ep.Causes) > 0 {
				return ep.Causes[0].Cause, true
			}
		}
	}
	return "", false
}

func (e *engine) whyLeak(f *findings, p pumpPicture) {
	high, isHigh := e.rootOf(site.HighWaterAlarm)
	dead, isDead := e.rootOf(site.MainsLost)
	switch {
	case isHigh:
		f.add(0.86, high, "the basin is above its high-water mark")
		f.add(0.85, causeStandingWater, "the basin is above its high-water mark")
	case isDead && dead != causeDehumidifierPower && e.pr.site.Sump != nil && p.rained:
		f.add(0.86, dead, "the pump had no power while it rained", p.rain)
		f.add(0.6, causeStandingWater, p.rain)
	case p.rained && p.rainDay >= 5:
		f.add(0.6, causeGroundWater, p.rain)
		f.add(0.5, causePlumbing, "or a pipe above")
	default:
		f.add(0.8, causePlumbing, "no rain explains it", p.rain)
	}
}
