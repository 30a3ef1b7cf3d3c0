package simulate

import (
	"math"
	"time"

	"underkeep/store/site"
)

// channel is one quantity of one point as the gateway reads it.
type channel struct {
	point    int // index into Property.Points
	quantity site.Quantity
	id       uint64 // stream of its noise
	everyS   int64  // 0: on change
	phaseS   int64  // offset of its samples in the interval
	noise    float64
	bias     float64
	places   int    // decimals reported
	prefix   string // `{"n":"point/quantity","u":"unit",`
	last     float64
	lastSet  bool
	gatherMM float64 // rain since the last record
	frozen   bool
}

// place is what is particular about an indoor air point.
type place struct {
	offsetC float64 // against the space's mean
	outPull float64 // share of (outdoors - space) felt here
	vapour  float64 // factor on the vapour pressure
}

// noiseOf is the standard deviation and the decimals of a quantity as ordinary
// sensors report it (data-sheet practice, no source).
func noiseOf(q site.Quantity) (sd float64, places int) {
	switch q {
	case site.RH:
		return 0.2, 1
	case site.AirTemp, site.SurfaceTemp:
		return 0.05, 2
	case site.WoodMoisture:
		return 0.15, 1
	case site.DehumidifierPower:
		return 3, 0
	case site.FanPower:
		return 0.4, 1
	case site.WaterLevel:
		return 2, 0
	case site.Battery:
		return 0.3, 0
	case site.Rain:
		return 0, 1
	case site.PumpRun:
		return 0.05, 1
	}
	return 0, 0
}

// biasOf draws a sensor's constant error, inside its stated accuracy.
func biasOf(q site.Quantity, sensor *site.Sensor, seed, id uint64) float64 {
	half := map[site.Quantity]float64{site.RH: 2, site.AirTemp: 0.3, site.SurfaceTemp: 0.3, site.WoodMoisture: 0.6}[q]
	if sensor != nil && sensor.Accuracy[q] > 0 {
		half = sensor.Accuracy[q]
	}
	return half * between(seed, 3, id, -0.6, 0.6)
}

func newChannels(p *site.Property, comms Comms, seed uint64) []channel {
	var out []channel
	for i, pt := range p.Points {
		everyS := int64(pt.Every / time.Second)
		phase := int64(0)
		if everyS > 60 {
			phase = int64(mix(seed, 5, uint64(i))%uint64(everyS/60)) * 60
		}
		for _, q := range pt.Measures {
			id := uint64(len(out) + 1)
			sd, places := noiseOf(q)
			c := channel{point: i, quantity: q, id: id, everyS: everyS, phaseS: phase, noise: sd * comms.NoiseFactor, places: places}
			if comms.NoiseFactor > 0 {
				c.bias = biasOf(q, pt.Sensor, seed, id)
			}
			c.prefix = recordPrefix(pt.ID, q)
			if everyS == 0 && c.analogue() {
				c.everyS = 300 // an analogue value has to be read at some pace
			}
			out = append(out, c)
		}
	}
	return out
}

func recordPrefix(point string, q site.Quantity) string {
	spec := q.Spec()
	prefix := `{"n":"` + point + "/" + spec.Name + `",`
	if len(spec.Units) > 0 {
		prefix += `"u":"` + spec.Units[0] + `",`
	}
	return prefix
}

// analogue quantities are sampled; the others are reported on change.
func (c *channel) analogue() bool {
	switch c.quantity {
	case site.PumpRun, site.PumpOn, site.HighWater, site.Leak, site.Mains, site.Rain, site.Battery:
		return false
	}
	return true
}

// due says whether the channel samples at a Unix time.
func (c *channel) due(unix int64) bool {
	return c.everyS > 0 && floorMod(unix-c.phaseS, c.everyS) == 0
}

// disturb turns a true value into what the sensor says at a Unix time.
func (c *channel) disturb(v float64, seed uint64, unix int64) float64 {
	v += c.bias
	if c.noise > 0 {
		v += c.noise * gauss(seed, 1000+c.id, uint64(unix))
	}
	spec := c.quantity.Spec()
	scale := math.Pow10(c.places)
	return clamp(math.Round(v*scale)/scale, spec.Min, spec.Max)
}

// fail applies what is wrong with a sensor itself; clean is the value with the
// fault and without noise, as a truth keeps it.
func (s *Space) fail(c *channel, v float64, unix int64) float64 {
	id := s.property.Points[c.point].ID
	if s.wrong.at(SensorFlat, id) && (c.quantity == site.RH || c.quantity == site.AirTemp) {
		if !c.frozen {
			c.frozen = true
			if !c.lastSet {
				c.last = v
			}
		}
		return c.last
	}
	c.frozen = false
	if c.quantity != site.RH {
		return v
	}
	days := func(k Kind) float64 { return float64(unix-s.wrong.since[k]) / 86400 }
	switch {
	case s.wrong.at(SensorStuck, id):
		return s.wrong.size[SensorStuck]
	case s.wrong.at(SensorDrift, id):
		v += s.wrong.size[SensorDrift] * days(SensorDrift)
	case s.wrong.at(SensorJump, id):
		v += s.wrong.size[SensorJump]
	}
	return clamp(v, 0, 100)
}
