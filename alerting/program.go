package alerting

import (
	"time"

	"underkeep/alerting/air"
	"underkeep/store/site"
	"underkeep/store/site/asbuilt"
)

// program is what one version of a property's description compiles to: which
// series feed what, and the limits in force. It holds no readings.
type program struct {
	site     site.Property
	zone     *time.Location
	series   []seriesRule // by series number
	gateways []gatewayRule
	airs     []airRule
	surfaces []surfaceRule
	woods    []woodRule
	points   []pointRule
	restsTo  int64 // conditions of the space rest until then
	starts   int64 // when this version begins to hold
	mold     *air.MoldModel

	floats, levels, leaks, mains, batteries []int // series numbers
	power, fan                              int   // series number or -1
	rain, station                           int
	primary, backup                         pumpSeries
	drawDown, storageL                      float64 // as built or commissioned; 0 unknown
	commissioned                            bool
	highWaterMM                             float64
	silentTimes                             float64 // gateway-silent: times the shortest interval,
	silentLeast                             int64   // and at least

	humidity humidityLimits
	sensorLimits
	rules map[site.Condition]*limitRule
}

// pumpSeries are the numbers of the series that tell of one pump, or -1.
type pumpSeries struct{ run, on int }

// seriesRule says how one series behaves in time.
type seriesRule struct {
	known   bool
	point   int   // index into points
	hold    int64 // how long a reading holds at most; 0 for events and states
	gateway int   // as its point's
	feeds   feed
	target  int // index into airs, surfaces or woods; or the circuit
}

type feed uint8

const (
	feedsNothing feed = iota
	feedsAir
	feedsSurface
	feedsWood
	feedsPumpRun
	feedsPumpOn
	feedsFloat
	feedsLevel
	feedsLeak
	feedsRain
	feedsMains
	feedsPower
	feedsFan
	feedsBattery
)

type airRule struct {
	point    string
	outdoors bool
	rh, temp int   // series numbers or -1
	wood     []int // indexes into surfaces: the wood surfaces paired with this air
}

type surfaceRule struct {
	point  string
	series int
	air    int // index into airs, or -1
	wood   bool
}

type woodRule struct {
	point  string
	series int
}

type pointRule struct {
	id       string
	every    int64
	silence  int64 // called silent after this long; never without an interval
	gateway  int   // number; or noGateway, or unheardGateway
	outdoors bool
	series   []int
}

type gatewayRule struct {
	silence int64 // the same while none of its points is known, by all that name no other
	offline int64 // or after this long since its connection closed
	watched bool  // whether its silence is an alarm at all
}

// stateQuantities stand until they change, as long as the gateway speaks.
var stateQuantities = map[site.Quantity]bool{
	site.PumpRun: true, site.PumpOn: true, site.HighWater: true,
	site.Leak: true, site.Mains: true, site.Battery: true,
}

var woodSurfaces = map[string]bool{"joist": true, "rim": true}

func compile(p site.Property, d *Description, starts int64) *program {
	pr := &program{site: p, zone: p.Zone(), starts: starts, power: -1, fan: -1, rain: -1, station: -1,
		primary: pumpSeries{-1, -1}, backup: pumpSeries{-1, -1}}
	rest := p.Commissioning
	if rest == 0 {
		rest = 14 * 24 * time.Hour
	}
	pr.restsTo = p.Installed.In(pr.zone).Add(rest).UnixMicro()
	pr.compilePoints(d)
	pr.compileSeries(d)
	pr.compileGateways(d)
	pr.compileSump()
	pr.compileHumidity()
	pr.compileSensor()
	pr.compileRules()
	pr.compileMold()
	return pr
}

func (pr *program) compilePoints(d *Description) {
	for _, pt := range pr.site.Points {
		pr.points = append(pr.points, pointRule{id: pt.ID, every: pt.Every.Microseconds(),
			silence: pr.pointSilence(pt), gateway: gatewayOf(d, pt), outdoors: pt.Outdoors})
		if measuresAny(pt, site.RH, site.AirTemp) {
			pr.airs = append(pr.airs, airRule{point: pt.ID, outdoors: pt.Outdoors, rh: -1, temp: -1})
		}
	}
	for _, pt := range pr.site.Points {
		if pt.Outdoors {
			continue // its surfaces and wood are not the space's
		}
		if measuresAny(pt, site.SurfaceTemp) {
			a := pr.airOf(pt)
			if a >= 0 && woodSurfaces[pt.Surface] {
				pr.airs[a].wood = append(pr.airs[a].wood, len(pr.surfaces))
			}
			pr.surfaces = append(pr.surfaces, surfaceRule{pt.ID, -1, a, woodSurfaces[pt.Surface]})
		}
		if measuresAny(pt, site.WoodMoisture) {
			pr.woods = append(pr.woods, woodRule{pt.ID, -1})
		}
	}
}

// What stands for a gateway's number.
const (
	noGateway      = -1 // the point names none: whichever last reported it
	unheardGateway = -2 // it names one that was never heard
)

func gatewayOf(d *Description, pt site.Point) int {
	if n := indexOf(d.Gateways, pt.Gateway); n >= 0 || pt.Gateway == "" {
		return n
	}
	return unheardGateway
}

// pointSilence is how long a point may be silent, never to be called if it has
// no interval.
func (pr *program) pointSilence(pt site.Point) int64 {
	if pt.Every <= 0 || !pr.site.Limits.Enabled(site.PointSilent) {
		return never
	}
	v := pr.site.Limits.Value
	return max(int64(v(site.PointSilent, "intervals")*float64(pt.Every.Microseconds())), µsOf(v(site.PointSilent, "at_least")))
}

// airOf is the air point a surface is judged against: the one it names, its
// own, or the only one indoors.
func (pr *program) airOf(pt site.Point) int {
	want := pt.Air
	if want == "" {
		want = pt.ID
	}
	only := -1
	for i, a := range pr.airs {
		if a.point == want {
			return i
		}
		if !a.outdoors {
			if only >= 0 {
				only = -2
			} else if only == -1 {
				only = i
			}
		}
	}
	if pt.Air == "" && only >= 0 {
		return only
	}
	return -1
}

func (pr *program) compileSeries(d *Description) {
	pr.series = make([]seriesRule, len(d.Series))
	for i, s := range d.Series {
		r := &pr.series[i]
		r.point, r.gateway = -1, -1
		if s.Point == "" {
			pr.compileStation(i, s)
			continue
		}
		for j := range pr.site.Points {
			if pr.site.Points[j].ID == s.Point && measuresAny(pr.site.Points[j], s.Quantity) {
				pr.connect(i, s.Quantity, j)
			}
		}
	}
}

func (pr *program) compileStation(i int, s Series) {
	if s.Quantity == site.Rain {
		pr.station = i
		pr.series[i] = seriesRule{known: true, point: -1, gateway: -1, hold: 2 * µsHour, feeds: feedsRain}
	}
}

func (pr *program) connect(i int, q site.Quantity, point int) {
	pt := &pr.site.Points[point]
	r := &pr.series[i]
	r.known, r.point, r.gateway = true, point, pr.points[point].gateway
	if pt.Every > 0 && !stateQuantities[q] {
		r.hold = 2 * pt.Every.Microseconds()
	}
	pr.points[point].series = append(pr.points[point].series, i)
	switch q {
	case site.RH, site.AirTemp:
		r.feeds, r.target = feedsAir, indexBy(len(pr.airs), func(k int) bool { return pr.airs[k].point == pt.ID })
		if q == site.RH {
			pr.airs[r.target].rh = i
		} else {
			pr.airs[r.target].temp = i
		}
	case site.SurfaceTemp:
		if pt.Outdoors {
			return
		}
		r.feeds, r.target = feedsSurface, indexBy(len(pr.surfaces), func(k int) bool { return pr.surfaces[k].point == pt.ID })
		pr.surfaces[r.target].series = i
	case site.WoodMoisture:
		if pt.Outdoors {
			return
		}
		r.feeds, r.target = feedsWood, indexBy(len(pr.woods), func(k int) bool { return pr.woods[k].point == pt.ID })
		pr.woods[r.target].series = i
	default:
		pr.connectEquipment(i, q, pt)
	}
}

func (pr *program) connectEquipment(i int, q site.Quantity, pt *site.Point) {
	r := &pr.series[i]
	pump := &pr.primary
	if pt.Pump == "backup" {
		pump, r.target = &pr.backup, 1
	}
	switch q {
	case site.PumpRun:
		r.feeds, pump.run = feedsPumpRun, i
	case site.PumpOn:
		r.feeds, pump.on = feedsPumpOn, i
	case site.HighWater:
		r.feeds = feedsFloat
		pr.floats = append(pr.floats, i)
	case site.WaterLevel:
		r.feeds = feedsLevel
		pr.levels = append(pr.levels, i)
	case site.Leak:
		if pt.Outdoors {
			return
		}
		r.feeds, r.target = feedsLeak, len(pr.leaks)
		pr.leaks = append(pr.leaks, i)
	case site.Rain:
		r.feeds, pr.rain = feedsRain, i
	case site.Mains:
		r.feeds = feedsMains
		pr.mains = append(pr.mains, i)
	case site.DehumidifierPower:
		r.feeds, pr.power = feedsPower, i
	case site.FanPower:
		r.feeds, pr.fan = feedsFan, i
	case site.Battery:
		r.feeds = feedsBattery
		pr.batteries = append(pr.batteries, i)
	}
}

func (pr *program) compileGateways(d *Description) {
	times := pr.site.Limits.Value(site.GatewaySilent, "intervals")
	least := µsOf(pr.site.Limits.Value(site.GatewaySilent, "at_least"))
	pr.silentTimes, pr.silentLeast = times, least
	for i := range pr.points {
		pr.points[i].gateway = gatewayOf(d, pr.site.Points[i])
		for _, s := range pr.points[i].series {
			pr.series[s].gateway = pr.points[i].gateway
		}
	}
	pr.gateways = nil
	for g := range d.Gateways {
		shortest := int64(0)
		for _, pt := range pr.points {
			if pt.every > 0 && (pt.gateway == noGateway || pt.gateway == g) && (shortest == 0 || pt.every < shortest) {
				shortest = pt.every
			}
		}
		pr.gateways = append(pr.gateways, gatewayRule{
			silence: max(least, int64(times*float64(shortest))),
			offline: µsOf(pr.site.Limits.Value(site.GatewaySilent, "offline")),
			watched: pr.site.Limits.Enabled(site.GatewaySilent),
		})
	}
}

func (pr *program) compileSump() {
	s := pr.site.Sump
	if s == nil {
		return
	}
	pr.highWaterMM = s.HighWaterM * 1000
	if v, ok := asbuilt.StorageL(*s); ok {
		pr.storageL = v
	}
	if s.CommissionedDrawDown > 0 {
		pr.drawDown, pr.commissioned = s.CommissionedDrawDown.Seconds(), true
	} else if v, ok := asbuilt.DrawDown(*s); ok {
		pr.drawDown = v
	}
}

func (pr *program) compileMold() {
	o := air.DefaultMoldOptions()
	if c, err := air.ParseMoldClass(pr.site.MoldClass); err == nil {
		o.Class = c
	}
	if pr.site.MoldDecline > 0 {
		o.Decline = pr.site.MoldDecline
	}
	m, err := air.NewMoldModel(o)
	if err != nil {
		panic("alerting: mold options that the property file let through: " + err.Error())
	}
	pr.mold = m
}

// compileRules turns the limits of sustained conditions into windows.
func (pr *program) compileRules() {
	v := pr.site.Limits.Value
	w := func(c site.Condition, param string) int64 { return µsOf(v(c, param)) }
	rule := func(c site.Condition, clearFor int64, levels ...levelRule) {
		r := &limitRule{enabled: pr.site.Limits.Enabled(c), levels: levels, clearFor: clearFor}
		if restsWhileDrying[c] {
			r.notBefore = pr.restsTo
		}
		pr.rules[c] = r
	}
	pr.rules = map[site.Condition]*limitRule{}
	rule(site.HumidityHigh, w(site.HumidityHigh, "clear_sustained"),
		levelRule{Medium, w(site.HumidityHigh, "sustained")}, levelRule{High, w(site.HumidityHigh, "high_sustained")})
	rule(site.HumidityDrift, w(site.HumidityDrift, "clear_sustained"), levelRule{Low, w(site.HumidityDrift, "sustained")})
	rule(site.CondensationRisk, w(site.CondensationRisk, "clear_sustained"),
		levelRule{Medium, w(site.CondensationRisk, "sustained")}, levelRule{High, w(site.CondensationRisk, "high_sustained")})
	s := w(site.WoodWet, "sustained")
	rule(site.WoodWet, w(site.WoodWet, "clear_sustained"), levelRule{Low, s}, levelRule{Medium, s}, levelRule{High, s})
	rule(site.MoldRisk, 0, levelRule{Low, 0}, levelRule{Medium, 0}, levelRule{High, 0})
	rule(site.FreezeRisk, w(site.FreezeRisk, "clear_sustained"), levelRule{High, w(site.FreezeRisk, "sustained")})
	rule(site.HighWaterAlarm, w(site.HighWaterAlarm, "clear_sustained"),
		levelRule{Urgent, w(site.HighWaterAlarm, "sustained")}, levelRule{Urgent, 0})
	rule(site.LeakAlarm, w(site.LeakAlarm, "clear_sustained"), levelRule{High, w(site.LeakAlarm, "sustained")})
	rule(site.MainsLost, w(site.MainsLost, "clear_sustained"), levelRule{High, w(site.MainsLost, "sustained")})
	rule(site.FanStopped, w(site.FanStopped, "clear_sustained"), levelRule{Low, w(site.FanStopped, "sustained")})
	rule(site.OutdoorAirEntering, w(site.OutdoorAirEntering, "clear_sustained"), levelRule{Low, 0})
	rule(site.SensorSuspect, w(site.SensorSuspect, "clear_sustained"), levelRule{Low, 0})
	rule(site.BatteryLow, 0, levelRule{Low, w(site.BatteryLow, "sustained")})
	rule(site.DehumidifierIdle, w(site.DehumidifierIdle, "clear_sustained"), levelRule{Medium, w(site.DehumidifierIdle, "sustained")})
	rule(site.DehumidifierWeak, w(site.DehumidifierWeak, "clear_sustained"), levelRule{Low, w(site.DehumidifierWeak, "sustained")})
}

var restsWhileDrying = map[site.Condition]bool{
	site.HumidityHigh: true, site.HumidityDrift: true, site.WoodWet: true,
	site.MoldRisk: true, site.DehumidifierWeak: true,
}

func measuresAny(pt site.Point, qs ...site.Quantity) bool {
	for _, m := range pt.Measures {
		for _, q := range qs {
			if m == q {
				return true
			}
		}
	}
	return false
}

func indexOf(list []string, want string) int {
	if want == "" {
		return -1
	}
	return indexBy(len(list), func(i int) bool { return list[i] == want })
}

func indexBy(n int, match func(int) bool) int {
	for i := range n {
		if match(i) {
			return i
		}
	}
	return -1
}
