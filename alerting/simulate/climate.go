package simulate

import "math"

// climate is the air, the ground's surface and the wood of one space. All
// balances are stepped by one minute, implicitly, so that a wide open hatch
// stays stable.
type climate struct {
	areaM2, volumeM3, wallM2 float64

	vapourPa, airC, groundC float64
	woodPct                 float64 // quick layer
	corePct                 float64 // slow layer
	ductC, pipeC            float64
	poolKg                  float64 // water standing on the liner
}

const (
	stepS        = 60.0
	gasVapour    = 461.5  // J/(kg K), water vapour
	latentJ      = 2.45e6 // J/kg
	filmVapour   = 2e-8   // kg/(m2 s Pa), still air
	airHeat      = 1.2 * 1006
	framingHeat  = 25e3  // J/(m2 K) of floor area, framing and air
	groundHeat   = 4.2e5 // J/(m2 K), the top quarter metre
	floorU       = 0.8   // W/(m2 K), uninsulated floor with carpet
	wallU        = 0.6   // insulated wall
	groundFilmU  = 4.0
	groundDeepU  = 0.9
	coreShare    = 6.0        // slow wood per quick wood, by mass
	coreTimeS    = 20 * 86400 // exchange between the two
	woodFilmM2   = 2.0        // wood surface per floor area
	peakGroundAt = 232 * 86400
)

// drives is what acts on the air during one minute.
type drives struct {
	outC, outPa     float64
	houseC, housePa float64
	deepC           float64
	openingACH      float64 // outdoor air, leakage included
	houseACH        float64 // drawn from the house by the exhaust fan
	groundKgPerPa   float64 // kg/(s Pa) through the liner
	wetKgPerPa      float64 // kg/(s Pa) from standing water
	removalKg       float64 // kg/s taken by the dehumidifier
	heatW           float64
	dripKg          float64 // kg/s of vapour set free
	woodKg          float64
}

// step moves the state by one minute.
func (c *climate) step(d *drives) {
	capacity := c.volumeM3 / (gasVapour * (273.15 + c.airC)) // kg/Pa
	film := filmVapour * woodFilmM2 * c.areaM2
	woodPa := woodRH(c.woodPct) * saturationPa(c.airC)
	groundSat := saturationPa(c.groundC)
	outFlow := d.openingACH / 3600 * capacity
	houseFlow := d.houseACH / 3600 * capacity

	gain := outFlow*d.outPa + houseFlow*d.housePa + film*woodPa + (d.groundKgPerPa+d.wetKgPerPa)*groundSat + d.dripKg - d.removalKg
	loss := outFlow + houseFlow + film + d.groundKgPerPa + d.wetKgPerPa
	next := (c.vapourPa + stepS/capacity*gain) / (1 + stepS/capacity*loss)
	next = clamp(next, 50, saturationPa(c.airC))

	toWood := film * (next - woodPa) * stepS // kg
	toCore := (c.woodPct - c.corePct) / 100 * d.woodKg * coreShare * stepS / coreTimeS
	c.woodPct = clamp(c.woodPct+100*(toWood-toCore)/d.woodKg, 1, 29)
	c.corePct += 100 * toCore / (d.woodKg * coreShare)
	c.vapourPa = next
	c.poolKg = math.Max(0, c.poolKg-d.wetKgPerPa*(groundSat-next)*stepS)
	c.stepHeat(d)
}

func (c *climate) stepHeat(d *drives) {
	outUA := wallU*c.wallM2 + d.openingACH/3600*c.volumeM3*airHeat
	houseUA := floorU*c.areaM2 + d.houseACH/3600*c.volumeM3*airHeat
	groundUA := groundFilmU * c.areaM2
	k := stepS / (framingHeat*c.areaM2 + airHeat*c.volumeM3)
	gain := outUA*d.outC + houseUA*d.houseC + groundUA*c.groundC + d.heatW
	c.airC = (c.airC + k*gain) / (1 + k*(outUA+houseUA+groundUA))
	kg := stepS / groundHeat
	c.groundC = (c.groundC + kg*(groundFilmU*c.airC+groundDeepU*d.deepC)) / (1 + kg*(groundFilmU+groundDeepU))
}

// stepSurfaces moves the duct and the cold-water pipe.
func (c *climate) stepSurfaces(cooling bool, cover, supplyC, mainsWaterC float64, usage float64) {
	duct, tau := c.airC, 1500.0
	if cooling {
		duct, tau = c.airC-(1-cover)*(c.airC-supplyC), 400
	}
	c.ductC += (duct - c.ductC) * stepS / tau
	pipe := c.airC - usage*(c.airC-mainsWaterC)
	c.pipeC += (pipe - c.pipeC) * stepS / 1200
}

// deepGround is the undisturbed ground at a Unix time.
func deepGround(unix int64, mean, swing float64) float64 {
	day := float64(floorMod(unix-epoch2013, 31557600) - peakGroundAt)
	return mean + swing*math.Cos(2*math.Pi*day/31557600)
}
