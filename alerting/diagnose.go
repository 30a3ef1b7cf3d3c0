package alerting

import (
	"fmt"
	"math"
	"slices"
	"time"

	"underkeep/alerting/air"
	"underkeep/store/site"
)

// finding is a possible cause with how strongly the readings speak for it.
type finding struct {
	Cause
	weight float64 // 0 to 1
}

type findings []finding

func (f *findings) add(weight float64, cause string, evidence ...string) {
	if weight > 0 {
		*f = append(*f, finding{Cause{cause, evidence}, weight})
	}
}

// sorted is the causes, likeliest first, each once.
func (f findings) sorted() []Cause {
	slices.SortStableFunc(f, func(a, b finding) int {
		switch {
		case a.weight > b.weight:
			return -1
		case a.weight < b.weight:
			return 1
		}
		return 0
	})
	var out []Cause
	for _, x := range f {
		if !slices.ContainsFunc(out, func(c Cause) bool { return c.Cause == x.Cause.Cause }) {
			out = append(out, x.Cause)
		}
	}
	return out
}

// diagnose asks the readings what is likely behind a condition that began to
// hold at an instant.
func (e *engine) diagnose(c site.Condition, point string, at int64) []Cause {
	var f findings
	switch c {
	case site.HumidityHigh, site.HumidityDrift, site.DehumidifierIdle, site.DehumidifierWeak, site.MoldRisk, site.WoodWet:
		e.whyMoist(&f, c, point, at)
	case site.CondensationRisk:
		e.whyCondensing(&f, point, at)
	case site.OutdoorAirEntering:
		f.add(0.9, causeOutdoorAir, e.outdoorEvidence())
	case site.FreezeRisk:
		e.whyCold(&f)
	case site.PumpShortCycling, site.PumpRunOn, site.PumpWeak, site.PumpSilentInRain,
		site.WaterUnexplained, site.HighWaterAlarm, site.LeakAlarm, site.BackupPumpRan:
		e.whyWater(&f, c, at)
	default:
		e.whyEquipment(&f, c, point, at)
	}
	causes := f.sorted()
	if len(causes) > 0 {
		if s := e.firstSign(c, point, at); s != "" {
			causes[0].Evidence = append(causes[0].Evidence, s)
		}
	}
	return causes
}

// firstSign names what began before, of what is wrong now.
func (e *engine) firstSign(c site.Condition, point string, at int64) string {
	best := never
	var which *episode
	for _, list := range [][]episode{e.st.Open, e.receipt.Open} {
		for i := range list {
			ep := &list[i]
			if ep.OnAt < best && ep.OnAt < at && !(ep.Condition == c && ep.Point == point) {
				best, which = ep.OnAt, ep
			}
		}
	}
	if which == nil {
		return ""
	}
	return fmt.Sprintf("%s began first, at %s", which.Condition, timeAt(best).Format(time.RFC3339))
}

// powerPicture is what the dehumidifier did lately.
type powerPicture struct {
	known               bool
	offShare, fullShare float64 // of the last six hours
	fullDay             float64 // of the last day
	fanOnly             bool
	usualW, nowW        float64
	humidity, setPct    float64
	dead                bool // its outlet or the house has no power
}

func (e *engine) powerPicture(at int64) powerPicture {
	s := &e.st.Space
	p := powerPicture{usualW: s.UsualW, humidity: s.RHPct, setPct: e.pr.humidity.setPct}
	for _, c := range e.deadCircuits() {
		if c == "" || c == "dehumidifier" {
			p.dead = true
		}
	}
	if e.pr.power < 0 {
		return p
	}
	on, covered := s.On.share(at, 6*µsHour)
	full, fullCovered := s.Full.share(at, 6*µsHour)
	fullDay, dayCovered := s.Full.share(at, 24*µsHour)
	if covered < µsHour {
		return p
	}
	p.known = true
	p.nowW, _ = e.value(e.pr.power)
	p.offShare = 1 - float64(on)/float64(covered)
	p.fullShare = float64(full) / float64(max(fullCovered, 1))
	p.fullDay = float64(fullDay) / float64(max(dayCovered, 1))
	p.fanOnly = float64(on)/float64(covered) > 0.8 && p.fullShare < 0.1
	return p
}

// whyMoist weighs what keeps the air of the space damp: no drying, outdoor air,
// water, cooling without more vapour, or one place only.
func (e *engine) whyMoist(f *findings, c site.Condition, point string, at int64) {
	if c == site.HumidityDrift && e.tooDry(point) {
		f.add(0.8, causeTooDry, fmt.Sprintf("humidity at %s is under %.0f %%RH", point, e.pr.humidity.driftBelow))
		return
	}
	if c == site.WoodWet {
		e.whyOnlyWood(f, point)
	}
	p := e.powerPicture(at)
	e.whyNotDrying(f, p, c)
	e.whyMoreVapour(f, p, c, at)
	e.whyOnlyHere(f, c, point)
}

func (e *engine) tooDry(point string) bool {
	i := indexBy(len(e.pr.airs), func(i int) bool { return e.pr.airs[i].point == point })
	if i < 0 {
		return false
	}
	rh, ok := e.value(e.pr.airs[i].rh)
	return ok && rh < e.pr.humidity.driftBelow
}

func (e *engine) whyNotDrying(f *findings, p powerPicture, c site.Condition) {
	off := fmt.Sprintf("dehumidifier drew under %.0f W for %.0f %% of the last 6 h", e.pr.humidity.idlePower, 100*p.offShare)
	above := fmt.Sprintf("space at %.0f %%RH, set point %.0f %%RH", p.humidity, p.setPct)
	switch {
	case p.dead:
		f.add(0.98, causeDehumidifierPower, "its power is reported lost", above)
	case p.known && p.offShare > 0.85 && p.setPct > 0 && p.humidity > p.setPct+5:
		f.add(0.95, causeDehumidifierStopped, off, above)
	case p.known && p.fanOnly:
		f.add(0.92, causeDehumidifierFan, fmt.Sprintf("draws %.0f W, with its compressor it drew %.0f W", p.nowW, p.usualW), above)
	case p.known && p.fullShare > 0.9 && p.usualW > 0 && p.nowW < 0.85*p.usualW && p.setPct > 0 && p.humidity > p.setPct+5:
		f.add(0.85, causeDehumidifierWeak, fmt.Sprintf("runs all the time at %.0f W, before it drew %.0f W", p.nowW, p.usualW), above)
	case p.known && p.fullDay > 0.8 && p.setPct > 0 && p.humidity > p.setPct+5:
		f.add(0.7, causeDehumidifierWeak, fmt.Sprintf("ran at full power for %.0f %% of the last day", 100*p.fullDay), above)
		f.add(0.4, causeLoad, "more moisture comes in than it can take out")
	case p.known && p.fullShare > 0.02 && p.fullShare < 0.7 && p.offShare > 0.2 && p.humidity > p.setPct+5:
		f.add(0.75, causeSetPoint, fmt.Sprintf("cycles normally (running %.0f %% of the time) but holds %.0f %%RH", 100*(1-p.offShare), p.humidity))
	case !p.known && c == site.DehumidifierIdle:
		f.add(0.8, causeDehumidifierStopped, "vapour pressure does not fall while "+above)
	case !p.known && p.setPct > 0:
		f.add(0.5, causeDehumidifierStopped, above)
	}
}

// whyMoreVapour asks whether vapour was added, and from where.
func (e *engine) whyMoreVapour(f *findings, p powerPicture, c site.Condition, at int64) {
	o := &e.st.Outdoor
	running := !p.known || p.offShare < 0.5
	if o.Judged && o.Correlation >= 0.6 && o.Slope >= 0.35 && o.SwingPa >= 100 {
		w := 0.55 + 0.4*min(1, (o.Correlation-0.6)/0.3)*min(1, o.Slope/0.7)
		if !running {
			w -= 0.35 // a stopped dehumidifier lets any space drift with outdoors
		}
		f.add(w, causeOutdoorAir, e.outdoorEvidence())
	}
	if in, out, ok := e.insideOutside(); ok && running && in > 0.88*out && in < 1.12*out && in > 1.2*e.vapourDayAgo() {
		f.add(0.75, causeOutdoorAir, fmt.Sprintf("vapour pressure rose to %.0f Pa, outdoors %.0f Pa, while the dehumidifier runs", in, out))
	}
	if e.active(site.LeakAlarm, "") || e.anyLeak() {
		if root, ok := e.rootOf(site.LeakAlarm); ok {
			f.add(0.86, root, "explains the wet leak sensor")
		}
		f.add(0.85, causeLeak, "a leak sensor is wet")
	} else if e.active(site.HighWaterAlarm, "") {
		if root, ok := e.rootOf(site.HighWaterAlarm); ok {
			f.add(0.81, root, "explains the high water")
		}
		f.add(0.8, causeStandingWater, "water stands above the high-water mark")
	} else if e.active(site.WaterUnexplained, "") {
		f.add(0.6, causeLeak, "the pump moves far more water than in other dry weather")
	}
	now, okNow := e.st.Space.Vapour.mean(0, 6)
	then, okThen := e.st.Space.Vapour.mean(23*6, 6)
	if okNow && okThen && c != site.MoldRisk && c != site.WoodWet {
		change := fmt.Sprintf("vapour pressure %.0f Pa, a day ago %.0f Pa", now, then)
		switch {
		case now < then*1.01 && (p.known && p.offShare < 0.98 || !p.known):
			f.add(0.6, causeCooling, change+": the air is cooler, not wetter")
		case now > then*1.05:
			f.add(0.35, causeMoistureSource, change)
		}
	}
	if len(*f) == 0 {
		f.add(0.2, causeMoistureSource, "no equipment fault shows in the readings")
	}
}

// insideOutside is the vapour pressure of space and outdoors over the last three
// full hours, Pa.
func (e *engine) insideOutside() (in, out float64, ok bool) {
	o := &e.st.Outdoor
	n := min(len(o.Inside), len(o.Outside))
	if n < 3 {
		return 0, 0, false
	}
	for k := n - 3; k < n; k++ {
		in, out = in+float64(o.Inside[k])/3, out+float64(o.Outside[k])/3
	}
	return in, out, in == in && out == out // NaN where an hour is unknown
}

// vapourDayAgo is the space's vapour pressure of a day ago, Pa; endless without.
func (e *engine) vapourDayAgo() float64 {
	if v, ok := e.st.Space.Vapour.mean(23*6, 6); ok {
		return v
	}
	return math.Inf(1)
}

// whyOnlyWood: measured wood far wetter than the space's air would make it has
// water of its own.
func (e *engine) whyOnlyWood(f *findings, point string) {
	i := indexBy(len(e.pr.woods), func(i int) bool { return e.pr.woods[i].point == point })
	if i < 0 || e.pr.woods[i].series < 0 {
		return
	}
	wood, ok := e.value(e.pr.woods[i].series)
	temp, okTemp := e.medianOf(func(a *airRule, _ *airState) (float64, bool) { return e.value(a.temp) })
	if emc := air.FastEMCPct(temp, min(e.st.Space.RHPct, 99.9)); ok && okTemp && wood > emc+4 {
		f.add(0.96, causeLocal, fmt.Sprintf("wood at %.0f %%, the air of the space would make it %.0f %%", wood, emc))
	}
}

func (e *engine) anyLeak() bool {
	return slices.ContainsFunc(e.st.Open, func(ep episode) bool { return ep.Condition == site.LeakAlarm })
}

func (e *engine) outdoorEvidence() string {
	o := &e.st.Outdoor
	return fmt.Sprintf("vapour pressure follows outdoors within %d h (correlation %.2f, slope %.2f, outdoors swinging %.0f Pa)",
		o.LagHours, o.Correlation, o.Slope, o.SwingPa)
}

// whyOnlyHere: the point is damp while the rest of the space is not.
func (e *engine) whyOnlyHere(f *findings, c site.Condition, point string) {
	i := indexBy(len(e.pr.airs), func(i int) bool { return e.pr.airs[i].point == point })
	if i < 0 || c != site.HumidityHigh && c != site.HumidityDrift {
		return
	}
	if e.active(site.SensorSuspect, point) {
		f.add(0.9, causeSensor, "the sensor itself is in doubt")
	}
	e.scratch = e.scratch[:0]
	for k := range e.pr.airs {
		if k != i && !e.pr.airs[k].outdoors && e.st.Airs[k].Covered {
			e.scratch = append(e.scratch, e.st.Airs[k].VapourPa)
		}
	}
	if m, ok := median(e.scratch); ok && e.st.Airs[i].Covered {
		switch ratio := e.st.Airs[i].VapourPa / m; {
		case ratio > 1.15:
			f.add(0.7, causeLocal, fmt.Sprintf("vapour pressure %.0f %% above the rest of the space", 100*(ratio-1)))
		case ratio < 1.08 && e.coolerHere(i):
			f.add(0.5, causeColdSpot, "as much vapour as elsewhere in the space, but cooler")
		}
	}
}

func (e *engine) coolerHere(i int) bool {
	here, ok := e.value(e.pr.airs[i].temp)
	rest, okRest := e.medianOf(func(a *airRule, _ *airState) (float64, bool) { return e.value(a.temp) })
	return ok && okRest && here < rest-1.5
}

// whyCondensing: is the surface too cold or the air too damp?
func (e *engine) whyCondensing(f *findings, point string, at int64) {
	i := indexBy(len(e.pr.surfaces), func(i int) bool { return e.pr.surfaces[i].point == point })
	if i < 0 || e.pr.surfaces[i].air < 0 {
		return
	}
	a := &e.st.Airs[e.pr.surfaces[i].air]
	surface, _ := e.value(e.pr.surfaces[i].series)
	temp, _ := e.value(e.pr.airs[e.pr.surfaces[i].air].temp)
	margin := fmt.Sprintf("surface %.1f °C, dew point %.1f °C", surface, a.DewC)
	dewAtSetPoint := air.FastDewPointC(temp, max(e.pr.humidity.setPct+5, 50))
	if surface >= dewAtSetPoint+e.pr.humidity.dewBelow {
		e.whyMoist(f, site.CondensationRisk, a.Point, at)
		f.add(0.3, causeColdSurface, margin)
		return
	}
	f.add(0.85, causeColdSurface, margin, "would be close to the dew point even at the set point")
	if a.VapourPa > 0 && a.DewC > dewAtSetPoint {
		e.whyMoist(f, site.CondensationRisk, a.Point, at)
	}
}

func (e *engine) whyCold(f *findings) {
	for i := range e.pr.airs {
		if out, ok := e.value(e.pr.airs[i].temp); ok && e.pr.airs[i].outdoors {
			f.add(0.7, causeColdAir, fmt.Sprintf("outdoors %.1f °C", out))
		}
	}
	if e.active(site.OutdoorAirEntering, "") {
		f.add(0.9, causeColdAir, e.outdoorEvidence())
	}
	if e.active(site.MainsLost, "") {
		f.add(0.6, causeMains, "no power for heat")
	}
	f.add(0.3, causeColdAir, "air under the house near freezing")
}

// whyEquipment covers power, the fan, gateways and instruments.
func (e *engine) whyEquipment(f *findings, c site.Condition, point string, at int64) {
	switch c {
	case site.MainsLost:
		e.whyNoPower(f)
	case site.FanStopped:
		power, _ := e.value(e.pr.fan)
		f.add(0.8, causeFan, fmt.Sprintf("draws %.0f W, usually %.0f W", power, e.st.Fan.UsualW))
	case site.GatewaySilent:
		e.whyGateway(f)
	case site.PointSilent:
		e.whyPointSilent(f, point)
	case site.SensorSuspect:
		e.whySuspect(f, point)
	case site.BatteryLow:
		f.add(0.9, causeBattery, "battery under "+fmt.Sprintf("%.0f %%", e.pr.site.Limits.Value(c, "below")))
	}
}

func (e *engine) whyNoPower(f *findings) {
	for _, c := range e.deadCircuits() {
		switch c {
		case "":
			f.add(0.9, causeMains, "the house reports no power")
		case "pump":
			f.add(0.8, causePumpPower, "the pump's outlet reports no power")
		default:
			f.add(0.8, causeDehumidifierPower, "the "+c+" outlet reports no power")
		}
	}
	f.add(0.1, causeMains, "no power reported")
}

func (e *engine) whyGateway(f *findings) {
	for i := range e.receipt.Gateways {
		if g := &e.receipt.Gateways[i]; g.Silent && g.Offline != 0 {
			f.add(0.7, causeGatewayOffline, "its connection closed at "+timeAt(g.Offline).Format(time.RFC3339))
		}
	}
	if e.active(site.MainsLost, "") {
		f.add(0.9, causeMains, "power was reported lost before")
	}
	f.add(0.4, causeGatewayOffline, "nothing received: its power, its network, or itself")
}

func (e *engine) whyPointSilent(f *findings, point string) {
	if find(e.st.Open, site.BatteryLow, point) != nil {
		f.add(0.9, causeBattery, "its battery was low")
	}
	i := indexBy(len(e.pr.points), func(i int) bool { return e.pr.points[i].id == point })
	if i >= 0 {
		for _, s := range e.pr.points[i].series {
			if sig := &e.st.Signals[s]; e.desc.Series[s].Quantity == site.Battery && sig.At != 0 && sig.Value < 25 {
				f.add(0.8, causeBattery, fmt.Sprintf("its battery last read %.0f %%", sig.Value))
			}
		}
	}
	f.add(0.5, causeSensorDead, "its gateway speaks, the sensor does not")
}

func (e *engine) whySuspect(f *findings, point string) {
	i := indexBy(len(e.st.Points), func(i int) bool { return e.st.Points[i].Point == point })
	if i < 0 {
		return
	}
	p := &e.st.Points[i]
	for k, s := range suspicionCauses {
		if p.Reasons&s.bit != 0 {
			f.add(0.9-0.05*float64(k), s.cause, p.evidence(s.bit))
		}
	}
	if slices.Contains(e.receipt.Suspects, point) {
		f.add(0.95, causeRefused, "readings refused for impossible values or times")
	}
}

func (p *pointState) evidence(bit suspicion) string {
	flat := func(t *trackState) string {
		return fmt.Sprintf("the same %.2f since %s", t.FlatValue, timeAt(t.FlatSince).Format(time.RFC3339))
	}
	switch bit {
	case suspectFlatRH:
		return "humidity " + flat(&p.RH)
	case suspectFlatTemp:
		return "temperature " + flat(&p.Temp)
	case suspectStuck:
		return fmt.Sprintf("humidity stuck at %.1f %%RH", p.RH.FlatValue)
	case suspectJump:
		return "a jump that no other point saw"
	case suspectVapour:
		return "vapour pressure away from all other points of the space"
	}
	return "no rain in the gauge while the weather station had plenty"
}

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
		f.add(0.8, causePumpDead, p.rain, fmt.Sprintf("a working pump would have run about %.0f times", e.st.Rain.Response.ExpectedCycles(at)))
	case site.WaterUnexplained:
		e.whyUnexplained(f, p, at)
	case site.HighWaterAlarm, site.BackupPumpRan:
		e.whyHigh(f, p)
	case site.LeakAlarm:
		e.whyLeak(f, p)
	}
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
	case freezing && out > 0:
		f.add(0.6, causeSnowMelt, figures, fmt.Sprintf("outdoors %.1f °C after frost", out))
		f.add(0.5, causePlumbing, figures)
	case e.comesAtItsHours(at, norm):
		f.add(0.75, causeIrrigation, figures, "comes at its hours, with hours of rest between")
		f.add(0.5, causePlumbing, figures)
	case p.swelling:
		f.add(0.75, causeSpring, figures, "rose from day to day, not at once")
		f.add(0.5, causePlumbing, figures)
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
		if cs[i].Start-cs[i-1].End < 8*µsHour {
			continue
		}
		return e.volumeWithin(cs[i-1].End, 8*µsHour) > normL
	}
	return false
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
