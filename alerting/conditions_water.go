package alerting

import (
	"slices"
	"sort"

	"underkeep/alerting/water"
	"underkeep/store/site"
)

// rainState is the rain that is known at this property, from its gauge or,
// where it has none, from its weather station.
type rainState struct {
	Events   []rainEvent // above zero, of the last rainMemory
	Station  []rainEvent // the station's, to check the gauge against
	Known    sustained   // beyond while somebody would have told of rain
	Response water.Response
	Blind    int64 // rain or pump unknown since then; 0 when both are known
}

type rainEvent struct {
	At int64
	MM float64
}

const rainMemory = 6 * µsDay

func (r *rainState) init(pr *program) {
	r.Response = water.NewResponse(waterHistory(pr), pr.site.Installed.In(pr.zone).UnixMicro())
	r.Known.Pos = notYet
}

// waterHistory is the commissioning answer.
func waterHistory(pr *program) string {
	if pr.site.Sump == nil {
		return ""
	}
	return pr.site.Sump.WaterHistory
}

func (e *engine) rained(series int, reading *Reading) {
	r := &e.st.Rain
	if series == e.pr.station {
		r.Station = keepRain(r.Station, reading)
		if e.pr.rain >= 0 {
			e.judgeGauge(reading.At)
			return
		}
	}
	r.Events = keepRain(r.Events, reading)
	e.judgeGauge(reading.At)
	if e.pr.primary.run >= 0 || e.pr.primary.on >= 0 {
		r.Response.Rain(reading.At, reading.Value)
		e.judgeSilence(reading.At)
	}
}

func keepRain(list []rainEvent, r *Reading) []rainEvent {
	if r.Value > 0 {
		list = append(list, rainEvent{r.At, r.Value})
	}
	return forgetWhile(list, func(x rainEvent) bool { return x.At < r.At-rainMemory })
}

func rainWithin(list []rainEvent, t, w int64) float64 {
	sum := 0.0
	for i := len(list) - 1; i >= 0 && list[i].At > t-w; i-- {
		if list[i].At <= t {
			sum += list[i].MM
		}
	}
	return sum
}

// rainHeard says whether somebody would tell of rain now.
func (e *engine) rainHeard() bool {
	if e.pr.rain >= 0 {
		if e.pr.series[e.pr.rain].hold > 0 {
			return e.st.Signals[e.pr.rain].Covered
		}
		return e.speaks(e.pr.rain)
	}
	return e.pr.station >= 0 && e.st.Signals[e.pr.station].Covered
}

// dryFor says that less than the given rain fell in the window, and that it is known.
func (e *engine) dryFor(t, w int64, mm float64) bool {
	heard, _ := e.st.Rain.Known.share(t, w)
	return heard*10 >= w*8 && rainWithin(e.st.Rain.Events, t, w) < mm
}

// rainExplains: enough rain lately for the pump to be busy with it.
func (e *engine) rainExplains(t int64) bool {
	events := e.st.Rain.Events
	return rainWithin(events, t, µsDay) >= 1 || rainWithin(events, t, 2*µsDay) >= 10
}

// tickWater follows what is known of rain and pump, and asks whether the pump's
// silence can still be chance.
func (e *engine) tickWater(t int64) {
	r := &e.st.Rain
	heard := e.rainHeard()
	r.Known.step(t, sided(heard, true), rainMemory, 0, false)
	pump := e.pumpSpeaks(e.pr.primary)
	e.st.Pump.Heard.set(t, 1, pump)
	if e.pr.primary.run < 0 && e.pr.primary.on < 0 {
		return
	}
	e.judgeExcessLater(t)
	r.Response.Advance(t)
	if c, ok := e.outdoorTempC(); ok {
		r.Response.Air(t, c)
	}
	switch {
	case heard && pump && r.Blind != 0:
		r.Response.Blind(r.Blind, t)
		r.Blind = 0
	case (!heard || !pump) && r.Blind == 0:
		r.Blind = t
	}
	e.judgeSilence(t)
}

// outdoorTempC tells snow from rain.
func (e *engine) outdoorTempC() (float64, bool) {
	for _, a := range e.pr.airs {
		if a.outdoors && a.temp >= 0 && e.st.Signals[a.temp].Covered {
			return e.st.Signals[a.temp].Value, true
		}
	}
	return 0, false
}

func (e *engine) judgeSilence(t int64) {
	p, r := &e.st.Pump, &e.st.Rain
	if p.SilentActive || r.Blind != 0 || !e.pr.site.Limits.Enabled(site.PumpSilentInRain) || !e.pumpSpeaks(e.pr.primary) {
		return
	}
	if p.OnSince != 0 {
		return
	}
	if r.Response.SilenceProbability(t) > e.pr.site.Limits.Value(site.PumpSilentInRain, "probability") && !e.waterProves(t) {
		return
	}
	p.SilentActive = true
	e.raise(site.PumpSilentInRain, "", High, t)
}

// waterProves: rain has brought water above the high-water float long after the
// pump last ran, so no working pump would be silent, whatever the site's
// response expects. A pump that cannot keep up fills the basin within minutes of
// its last finished run; it is not meant.
func (e *engine) waterProves(t int64) bool {
	ep := find(e.st.Open, site.HighWaterAlarm, "")
	return ep != nil && e.st.Pump.LastEnd != 0 && ep.OnAt-e.st.Pump.LastEnd >= 2*µsHour && e.rainExplains(t)
}

// responseCycle teaches the site's response one cycle. A pump that chases its
// tail makes many for the same water, and one that lifts a leak's or a
// sprinkler's water makes them without rain: they teach nothing, or its silence
// after the repair would look like a failure.
func (e *engine) responseCycle(at int64) {
	if e.active(site.PumpShortCycling, "") || e.active(site.WaterUnexplained, "") {
		e.st.Rain.Response.Blind(at, at)
		return
	}
	e.st.Rain.Response.Cycle(at)
}

// volumeWithin is what the pump moved in the window (t-w, t], by whole cycles,
// L. Cycles do not overlap, so they are in order of their ends; a pump that
// chases its tail makes thousands a day.
func (e *engine) volumeWithin(t, w int64) float64 {
	cs := e.st.Pump.Cycles
	upTo := func(at int64) int { return sort.Search(len(cs), func(i int) bool { return cs[i].End > at }) }
	return float64(upTo(t)-upTo(t-w)) * e.pr.storageL
}

// normL is the dry-weather norm a day; ok is false before enough dry days.
func (e *engine) normL() (float64, bool) {
	p, v := &e.st.Pump, e.pr.site.Limits.Value
	if len(p.NormDaysL) < int(v(site.WaterUnexplained, "norm_least")) {
		return 0, false
	}
	m, _ := median(slices.Clone(p.NormDaysL))
	return max(m, v(site.WaterUnexplained, "norm_floor")), true
}

// excessMet: far more water than in dry weather, and no rain that explains it.
func (e *engine) excessMet(at int64) bool {
	v := e.pr.site.Limits.Value
	norm, ok := e.normL()
	if !ok || e.pr.storageL <= 0 || e.pr.rain < 0 && e.pr.station < 0 {
		return false
	}
	day, before := e.volumeWithin(at, µsDay), e.volumeWithin(at-µsDay, µsDay)
	return day > v(site.WaterUnexplained, "ratio")*norm && day >= v(site.WaterUnexplained, "receding")*before &&
		e.dryFor(at, µsOf(v(site.WaterUnexplained, "rain_within")), v(site.WaterUnexplained, "rain"))
}

func (e *engine) judgeExcess(c cycle) {
	if e.watchesExcess() && e.excessMet(c.End) {
		e.st.Pump.ExcessActive = true
		e.raise(site.WaterUnexplained, "", Medium, c.End)
	}
}

// judgeExcessLater finds what begins to hold without a cycle: rain that no
// longer counts, or more water before that has left its window.
func (e *engine) judgeExcessLater(t int64) {
	p := &e.st.Pump
	if !e.watchesExcess() || p.LastEnd == 0 || p.LastEnd > t || !e.pumpSpeaks(e.pr.primary) || !e.excessMet(t) {
		return
	}
	p.ExcessActive = true
	e.raise(site.WaterUnexplained, "", Medium, firstTrue(max(t-tickLength, p.LastEnd), t, e.excessMet))
}

func (e *engine) watchesExcess() bool {
	return !e.st.Pump.ExcessActive && e.pr.site.Limits.Enabled(site.WaterUnexplained)
}

func (e *engine) endExcess(t int64, speaks bool) {
	p := &e.st.Pump
	norm, ok := e.normL()
	if !p.ExcessActive || !ok || !speaks {
		return
	}
	limit := e.pr.site.Limits.Value(site.WaterUnexplained, "clear_ratio") * norm
	fine := func(at int64) bool { return e.volumeWithin(at, µsDay) < limit }
	if !fine(t) || p.LastEnd > t {
		return
	}
	p.ExcessActive = false
	e.clear(site.WaterUnexplained, "", firstTrue(p.LastEnd-1, t, fine))
}

// newWaterDay files the volume of a local day that was dry, as were the three
// days before it.
func (e *engine) newWaterDay(t int64) {
	p, v := &e.st.Pump, e.pr.site.Limits.Value
	ended := timeAt(t - 1).In(e.pr.zone)
	start := site.Date{Year: ended.Year(), Month: ended.Month(), Day: ended.Day()}.In(e.pr.zone).UnixMicro()
	_, heard := p.Heard.take(t, t-start, 0.8)
	mm, before := v(site.WaterUnexplained, "rain"), µsOf(v(site.WaterUnexplained, "rain_within"))
	if e.pr.storageL <= 0 || !heard || !e.dryFor(t, t-start, mm) || !e.dryFor(start, before, mm) {
		return
	}
	p.NormDaysL = keepLast(append(p.NormDaysL, e.volumeWithin(t, t-start)), int(v(site.WaterUnexplained, "norm_days")))
	if e.watchesExcess() && p.LastEnd != 0 && e.excessMet(t) { // by the norm that is known now
		p.ExcessActive = true
		e.raise(site.WaterUnexplained, "", Medium, t)
	}
}
