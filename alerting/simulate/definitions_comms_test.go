package simulate_test

import (
	"math"
	"slices"
	"time"

	"underkeep/alerting/simulate"
	"underkeep/store/site"
)

func (d *definer) power() {
	var dead []bool
	for _, pt := range d.t.Property.Points {
		if !slices.Contains(pt.Measures, site.Mains) {
			continue
		}
		live := d.t.Mains[pt.Circuit]
		if dead == nil {
			dead = make([]bool, d.n)
		}
		for i := range dead {
			dead[i] = dead[i] || !live[i]
		}
	}
	if dead != nil {
		present := marks(d.n, func(i int) bool { return !dead[i] })
		d.add(site.MainsLost, "", hold(newWindowed(dead, d.t.Alive), 5, newWindowed(present, d.t.Alive), 5))
	}
	if d.measured(site.FanPower) {
		usual := float64(d.t.FanW[0])
		house := d.t.Mains[""]
		stopped := newWindowed(marks(d.n, func(i int) bool { return float64(d.t.FanW[i]) < 0.3*usual && house[i] }), d.t.Alive)
		back := newWindowed(marks(d.n, func(i int) bool { return float64(d.t.FanW[i]) >= 0.3*usual }), d.t.Alive)
		d.add(site.FanStopped, "", hold(stopped, 360, back, 60))
	}
	for id, b := range d.t.Battery {
		low := newWindowed(marks(d.n, func(i int) bool { return float64(b[i]) < 15 }), d.covered(id))
		full := newWindowed(marks(d.n, func(i int) bool { return float64(b[i]) > 25 }), d.covered(id))
		d.add(site.BatteryLow, id, hold(low, minutesADay, full, 1))
	}
	dry := marks(d.n, func(i int) bool { return !d.t.Leak[i] })
	if d.measured(site.Leak) {
		point := ""
		for _, pt := range d.t.Property.Points {
			if slices.Contains(pt.Measures, site.Leak) {
				point = pt.ID
			}
		}
		d.add(site.LeakAlarm, point, hold(newWindowed(d.t.Leak, d.t.Alive), 1, newWindowed(dry, d.t.Alive), 10))
	}
}

// comms: silence by receipt.
func (d *definer) comms() {
	shortest := time.Duration(math.MaxInt64)
	for _, pt := range d.t.Property.Points {
		if pt.Every > 0 {
			shortest = min(shortest, pt.Every)
		}
	}
	window := max(30, int(3*shortest/time.Minute))
	if d.s.rmin < 0 {
		window -= 2 // the model's minutes against the seconds of receipt
	}
	quiet := 0
	spans := []span{}
	for i := 0; i < d.n; i++ {
		if d.t.Heard[i] {
			if n := len(spans); n > 0 && spans[n-1].to == d.n {
				spans[n-1].to = i
			}
			quiet = 0
			continue
		}
		if quiet++; quiet == window {
			spans = append(spans, span{i, d.n})
		}
	}
	d.add(site.GatewaySilent, "", spans)
	for _, pt := range d.t.Property.Points {
		if pt.Every > 0 {
			d.pointSilent(pt)
		}
	}
}

// pointSilent: the model's points go quiet only by a fault, so the fault's own
// times are the truth.
func (d *definer) pointSilent(pt site.Point) {
	window := max(120, int(6*pt.Every/time.Minute))
	dead := d.t.Quiet[pt.ID]
	if d.s.rmin < 0 { // refused for their times, no reading of the point arrives: a call is allowed
		dead = slices.Clone(dead)
		for _, f := range d.t.Faults {
			if f.Kind == simulate.ClockWrong {
				for i := d.t.Index(f.From); i < d.t.Index(f.Until); i++ {
					dead[i] = true
				}
			}
		}
	}
	run := 0
	for i := 0; i < d.n; i++ {
		if !dead[i] {
			run = 0
			continue
		}
		if run++; run == window {
			to := i
			for to < d.n && dead[to] {
				to++
			}
			d.add(site.PointSilent, pt.ID, []span{{i, to}})
		}
	}
}

// sensors: what the injected sensor faults make of the definition.
func (d *definer) sensors() {
	for _, f := range d.t.Faults {
		from, to := d.t.Index(f.From), d.n
		if !f.Until.IsZero() {
			to = d.t.Index(f.Until)
		}
		switch f.Kind {
		case simulate.SensorFlat:
			d.flat(f.Point, from, to)
		case simulate.ClockWrong:
			d.add(site.SensorSuspect, "", []span{{from, to}})
		}
	}
	for _, id := range d.t.AirPoints() {
		d.stuck(id)
		d.vapourOff(id)
		d.jump(id)
	}
}

// flat: 48 h the same while a neighbour or outdoors moved by more than 5 %RH or 2 °C.
func (d *definer) flat(id string, from, to int) {
	const w = 48 * 60
	for i := from + w; i < to; i++ {
		for other, a := range d.t.Air {
			if other == id {
				continue
			}
			if spread(a.SaysRH[i-w:i+1]) > 5 || spread(a.SaysTempC[i-w:i+1]) > 2 {
				d.add(site.SensorSuspect, id, []span{{i, min(to+minutesADay, d.n)}})
				return
			}
		}
	}
}

func spread(x []float32) float32 {
	lo, hi := x[0], x[0]
	for _, v := range x {
		lo, hi = min(lo, v), max(hi, v)
	}
	return hi - lo
}

// stuck: at the end of its scale for 6 h, whether the sensor failed or the air
// really is saturated.
func (d *definer) stuck(id string) {
	rh := d.t.Air[id].SaysRH
	at := marks(d.n, func(i int) bool { return float64(rh[i]) >= 99.5+d.s.rh/2 || float64(rh[i]) <= 2-d.s.rh/2 })
	off := marks(d.n, func(i int) bool { return !at[i] })
	d.add(site.SensorSuspect, id, hold(newWindowed(at, d.covered(id)), 360, newWindowed(off, d.covered(id)), minutesADay))
}

// vapourOff: more than 15 % off the median of at least two other indoor points for 48 h.
func (d *definer) vapourOff(id string) {
	ids := d.t.AirPoints()
	if len(ids) < 3 {
		return
	}
	off := marks(d.n, func(i int) bool {
		var others []float64
		var own float64
		for _, other := range ids {
			a := d.t.Air[other]
			p := float64(a.SaysRH[i]) / 100 * judgeSaturation(float64(a.SaysTempC[i]))
			if other == id {
				own = p
			} else {
				others = append(others, p)
			}
		}
		m := median(others)
		return math.Abs(own-m) > (0.15+d.s.ratio/2)*m
	})
	in := marks(d.n, func(i int) bool { return !off[i] })
	d.add(site.SensorSuspect, id, hold(newWindowed(off, d.covered(id)), 48*60, newWindowed(in, d.covered(id)), minutesADay))
}

// jump: more than 30 %RH or 10 °C within 10 min that no neighbour saw.
func (d *definer) jump(id string) {
	a := d.t.Air[id]
	for i := 10; i < d.n; i++ {
		if math.Abs(float64(a.SaysRH[i]-a.SaysRH[i-10])) <= 30+d.s.rh || math.Abs(float64(a.RH[i]-a.RH[i-10])) > 30 {
			continue
		}
		d.add(site.SensorSuspect, id, []span{{i, min(i+minutesADay+10, d.n)}})
		i += minutesADay
	}
}
