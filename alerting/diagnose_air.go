package alerting

import (
	"fmt"
	"math"
	"slices"

	"underkeep/alerting/air"
	"underkeep/store/site"
)

// powerPicture is what the dehumidifier did lately.
type powerPicture struct {
	known               bool
	offShare, fullShare float64 // of the last six hours
	fullDay             float64 // of the last day
	fanOnly             bool
	ranLately           bool // its compressor ran and stopped within these six hours
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
	p.ranLately = full > 5*µsMinute && full < fullCovered && s.Full.current() == within && p.usualW > 0
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
	case p.known && p.ranLately && p.offShare > 0.2 && p.fullShare < 0.7 && p.setPct > 0 && p.humidity > p.setPct+5:
		f.add(0.9, causeSetPoint, fmt.Sprintf("ran and stopped by itself within the last 6 h although the %s", above))
		f.add(0.5, causeDehumidifierStopped, off)
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
		w := 0.75
		if share, ok := e.heatFollowed(); ok && share < 0.07 {
			w = 0.3
			f.add(0.7, causeMoistureSource, fmt.Sprintf("vapour pressure rose to %.0f Pa, but the air took on %.0f %% of what its temperature lacks to outdoors: no air came with it", in, 100*max(share, 0)))
		}
		f.add(w, causeOutdoorAir, fmt.Sprintf("vapour pressure rose to %.0f Pa, outdoors %.0f Pa, while the dehumidifier runs", in, out))
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

// heatFollowed is by which share of its distance to outdoors the temperature of
// the space has moved since a day ago. So much outdoor air as fills a space with
// vapour against a dehumidifier brings heat or cold too. ok only where the two
// were some kelvins apart.
func (e *engine) heatFollowed() (share float64, ok bool) {
	var now, then, out []float64
	for i := range e.pr.airs {
		tr, _ := e.trackOf(i, site.AirTemp)
		if tr == nil || len(tr.Least) < 25 {
			continue
		}
		mid := func(back int) float64 {
			n := len(tr.Least) - 1 - back
			return float64(tr.Least[n]+tr.Most[n]) / 2
		}
		if e.pr.airs[i].outdoors {
			out = append(out, mid(0))
		} else {
			now, then = append(now, mid(0)), append(then, mid(24))
		}
	}
	a, okA := median(now)
	b, okB := median(then)
	c, okC := median(out)
	if gap := c - b; okA && okB && okC && math.Abs(gap) >= 3 && !math.IsInf(a+b+c, 0) && a == a && gap == gap {
		return (a - b) / gap, true
	}
	return 0, false
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
	if others, n := e.othersVapour(i); n > 0 && e.st.Airs[i].Covered {
		switch ratio := e.st.Airs[i].VapourPa / others; {
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
