package simulate

import "math"

// dehumidifier with its humidistat, compressor and fan.
type dehumidifier struct {
	present     bool
	setpoint    float64 // %RH
	ratedKgS    float64 // at 26.7 °C and 60 %RH
	watts       float64
	offset      float64 // the humidistat reads this much high
	seed        uint64
	calling     bool
	restS       float64 // since it last stopped
	runS        float64 // of this run, for defrost
	powerW      float64
	removalKg   float64
	condensateL float64 // gathered in its pan until the pan empties
}

const (
	humidistatBand = 2.0   // on above set point + band, off below set point - band
	compressorRest = 300.0 // s before it may start again
	fanShare       = 0.125 // of the rated power
	standbyW       = 1.5
	defrostBelowC  = 12.0 // coil freezes below about this room temperature
	defrostEveryS  = 45 * 60
	defrostS       = 9 * 60
)

// step decides what the dehumidifier does during the coming minute.
func (d *dehumidifier) step(c *climate, a *active, live bool, minute uint64) {
	d.removalKg, d.powerW = 0, 0
	if !d.present || !live {
		d.calling, d.restS, d.runS = false, d.restS+stepS, 0
		return
	}
	d.powerW = standbyW
	if a.has(DehumidifierOff) {
		d.calling, d.restS = false, d.restS+stepS
		return
	}
	set := a.sizeOr(SetpointRaised, d.setpoint)
	felt := rhPct(c.vapourPa, c.airC) + d.offset + 0.3*gauss(d.seed, 71, minute)
	d.command(felt, set)
	if d.calling {
		d.run(c, a)
	}
}

func (d *dehumidifier) command(felt, set float64) {
	switch {
	case d.calling && felt < set-humidistatBand:
		d.calling, d.restS, d.runS = false, 0, 0
	case !d.calling && felt > set+humidistatBand && d.restS >= compressorRest:
		d.calling, d.runS = true, 0
	}
	if d.calling {
		d.runS += stepS
	} else {
		d.restS += stepS
	}
}

// run sets power and removal while it calls. Rated figures hold at 26.7 °C and
// 60 %RH; removal falls with both (common practice, no source).
func (d *dehumidifier) run(c *climate, a *active) {
	rh := rhPct(c.vapourPa, c.airC)
	derate := math.Pow(rh/60, 0.9) * clamp(0.45+0.55*(c.airC-10)/16.7, 0, 1.2)
	full := d.watts * (0.86 + 0.14*clamp((c.airC-8)/18.7, 0, 1.2))
	fan := d.watts * fanShare
	compressor := true
	switch {
	case a.has(CompressorDead):
		compressor = false
	case a.has(CoilIced):
		compressor = math.Mod(d.runS, 3600) < 5*60
		derate *= 0.1
	case a.has(ChargeLost):
		full *= 0.7
		derate *= 0.05
	case c.airC < defrostBelowC:
		compressor = math.Mod(d.runS, defrostEveryS+defrostS) < defrostEveryS
	}
	d.powerW = fan
	if compressor {
		d.powerW = full
		d.removalKg = d.ratedKgS * derate
	}
}

// condensate hands over what the pan gives up at once: it collects a litre.
func (d *dehumidifier) condensate() float64 {
	d.condensateL += d.removalKg * stepS
	if d.condensateL < 1 {
		return 0
	}
	l := d.condensateL
	d.condensateL = 0
	return l
}
