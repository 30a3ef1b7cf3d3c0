package simulate

import (
	"underkeep/store/site"
)

// sample reads every channel that is due at the end of a minute, and takes what
// changed in it.
func (s *Space) sample(unix int64, alive bool) {
	for i := range s.channels {
		c := &s.channels[i]
		if c.quantity == site.Rain {
			s.gatherRain(c)
		}
		if c.analogue() || c.quantity == site.Battery {
			if c.everyS > 0 && c.due(unix) || c.everyS == 0 && unix%21600 == 0 {
				s.sampleOne(i, unix, alive)
			}
			continue
		}
		s.sampleEvents(i, unix, alive)
	}
	s.takeWater()
}

func (s *Space) speaks(c *channel, alive bool) bool {
	return alive && !s.wrong.at(PointDead, s.property.Points[c.point].ID)
}

func (s *Space) sampleOne(i int, unix int64, alive bool) {
	c := &s.channels[i]
	v, ok := s.trueValue(c, unix)
	if !ok || !s.speaks(c, alive) {
		return
	}
	if uniform(s.seed, 41, uint64(unix)*64+c.id) < s.comms.DropShare {
		return
	}
	v = s.fail(c, v, unix)
	if !c.frozen && !(c.quantity == site.RH && s.wrong.at(SensorStuck, s.property.Points[c.point].ID)) {
		v = c.disturb(v, s.seed, unix)
		c.last, c.lastSet = v, true
	}
	s.keep(i, unix*1000, v)
}

// trueValue is what is really the case at a sampled channel.
func (s *Space) trueValue(c *channel, unix int64) (float64, bool) {
	pt := &s.property.Points[c.point]
	switch c.quantity {
	case site.RH:
		t, p := s.airAt(c.point, pt.Outdoors)
		return rhPct(p, t), true
	case site.AirTemp:
		t, _ := s.airAt(c.point, pt.Outdoors)
		return t, true
	case site.SurfaceTemp:
		return s.surfaceAt(c.point, pt), true
	case site.WoodMoisture:
		return s.pointWood[c.point], true
	case site.WaterLevel:
		return s.sump.level * 1000, true
	case site.DehumidifierPower:
		return s.dry.powerW, true
	case site.FanPower:
		return s.fanW, true
	case site.Battery:
		return s.batteryAt(c.point, pt, unix), true
	}
	return 0, false
}

func (s *Space) airAt(point int, outdoors bool) (tempC, vapourPa float64) {
	if outdoors {
		return s.outC, s.outPa
	}
	p := &s.places[point]
	t := s.air.airC + p.offsetC + p.outPull*(s.outC-s.air.airC)
	return t, min(s.air.vapourPa*p.vapour, saturationPa(t))
}

func (s *Space) surfaceAt(point int, pt *site.Point) float64 {
	switch pt.Surface {
	case "duct":
		return s.air.ductC
	case "pipe":
		return s.air.pipeC
	case "slab", "wall":
		return s.air.groundC
	}
	return s.air.airC + s.places[point].offsetC*0.3
}

func (s *Space) batteryAt(point int, pt *site.Point, unix int64) float64 {
	if s.wrong.at(BatteryFade, pt.ID) {
		days := float64(unix-s.wrong.since[BatteryFade]) / 86400
		return max(1, 40-s.wrong.size[BatteryFade]*days)
	}
	days := float64(floorMod(unix, 200*86400)) / 86400 // changed every 200 days
	return max(30, s.batteries[point]-0.1*days)
}

func (s *Space) gatherRain(c *channel) {
	if !s.wrong.has(GaugeBlocked) {
		c.gatherMM += s.rainMM
	}
}

// sampleEvents reports what is told on change, and rain at its interval.
func (s *Space) sampleEvents(i int, unix int64, alive bool) {
	c := &s.channels[i]
	switch c.quantity {
	case site.Rain:
		s.sampleRain(i, unix, alive)
	case site.Mains, site.Leak:
		v, _ := s.stateOf(c)
		s.onChange(i, unix, v, alive)
	case site.HighWater:
		s.highWater(i, unix, alive)
	case site.PumpRun, site.PumpOn:
		s.pumpEvents(i, unix, alive)
	}
}

// onChange reports a state when it changes, at the start, and every six hours.
func (s *Space) onChange(i int, unix int64, v float64, alive bool) {
	c := &s.channels[i]
	if c.lastSet && c.last == v && unix%21600 != 0 {
		return
	}
	if s.speaks(c, alive) {
		s.keep(i, unix*1000, v)
		c.last, c.lastSet = v, true
	}
}

// sampleRain: a tipping bucket of 0.2 mm, told every 15 min while it rains and
// once a day as 0 when it does not.
func (s *Space) sampleRain(i int, unix int64, alive bool) {
	const tip = 0.2
	c := &s.channels[i]
	every := c.everyS
	if every == 0 {
		every = 900
	}
	if unix%every != 0 {
		return
	}
	tips := float64(int(c.gatherMM/tip + 1e-6))
	if tips == 0 && unix%86400 != 0 && c.everyS == 0 {
		return
	}
	c.gatherMM -= tips * tip
	if s.speaks(c, alive) {
		s.keep(i, unix*1000, tips*tip)
	}
}

func (s *Space) highWater(i int, unix int64, alive bool) {
	c := &s.channels[i]
	if !s.sump.present || !s.speaks(c, alive) {
		return
	}
	for _, e := range s.sump.wetEdges {
		s.keep(i, e.AtMS, flag(e.On))
		c.last, c.lastSet = flag(e.On), true
	}
	if !c.lastSet || unix%21600 == 0 || c.last != flag(s.sump.wet) {
		s.onChange(i, unix, flag(s.sump.wet), alive)
	}
}

// pumpEvents tells finished runs, and whether the pump is on: at each change
// and every minute while it is.
func (s *Space) pumpEvents(i int, unix int64, alive bool) {
	c := &s.channels[i]
	u := &s.sump.primary
	if s.property.Points[c.point].Pump == "backup" {
		u = s.sump.backup
	}
	if u == nil || !s.sump.present || !s.speaks(c, alive) {
		return
	}
	if c.quantity == site.PumpRun {
		for _, cy := range u.cycles {
			s.keep(i, cy.StartMS, c.disturb(cy.Seconds, s.seed, cy.StartMS))
		}
		return
	}
	on := u.running != (len(u.changedMS)%2 == 1) // as it was when the minute began
	for _, ms := range u.changedMS {
		on = !on
		s.keep(i, ms, flag(on))
	}
	if u.running && (len(u.changedMS) == 0 || u.changedMS[len(u.changedMS)-1] < (unix-30)*1000) {
		s.keep(i, unix*1000, 1)
	}
}

// takeWater clears what happened in the basin's minute, into the truth if kept.
func (s *Space) takeWater() {
	if s.truth != nil {
		s.truth.water(s)
	}
	b := &s.sump
	b.wetEdges = b.wetEdges[:0]
	b.primary.cycles, b.primary.changedMS = b.primary.cycles[:0], b.primary.changedMS[:0]
	if b.backup != nil {
		b.backup.cycles, b.backup.changedMS = b.backup.cycles[:0], b.backup.changedMS[:0]
	}
	b = &s.twin
	b.wetEdges, b.overflowL = b.wetEdges[:0], 0
	b.primary.cycles, b.primary.changedMS = b.primary.cycles[:0], b.primary.changedMS[:0]
	if b.backup != nil {
		b.backup.cycles, b.backup.changedMS = b.backup.cycles[:0], b.backup.changedMS[:0]
	}
}
