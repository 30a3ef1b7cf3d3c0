package simulate_test

import (
	"time"

	"underkeep/alerting/simulate"
	"underkeep/store/site"
)

// scenario is one fault or one harmless look-alike in otherwise ordinary
// houses. Every run of it draws its own house, weather, rain and moment.
type scenario struct {
	name   string
	month  time.Month // the record begins about here, 0: any month
	days   int        // length of the record, 0: 75
	at     int        // day of the fault, 0: 45
	house  func(c *simulate.Cottage)
	traits func(t *simulate.Traits)
	comms  func(c *simulate.Comms)
	rain   float64 // factor on the measured rain, 0: 1; negative: none
	faults []fault
	// expect lists the conditions that the fault has to raise, with the causes
	// that may stand first. Empty for look-alikes.
	expect  map[site.Condition][]string
	callOne bool // everything it raises has to be one call-out
	wetNew  bool // installed on the first day, still wet
	storm   bool // the fault begins an hour before the heaviest rain around its day
}

// fault with a beginning on the scenario's day, later by after, for long (0: to the end).
type fault struct {
	kind  simulate.Kind
	after time.Duration
	long  time.Duration
	size  float64
	point string
}

type expects = map[site.Condition][]string

func damp(t *simulate.Traits) { t.GroundLPerDay, t.AirChangesPerHour = 5, 0.14 }
func soaked(t *simulate.Traits) {
	t.GroundLPerDay, t.AirChangesPerHour = 14, 0.2
}

const hour, day = time.Hour, 24 * time.Hour

// faultScenarios cover every condition of the contract by at least one fault.
var faultScenarios = []scenario{
	{name: "dehumidifier trips off", month: 6, traits: damp, faults: []fault{{kind: simulate.DehumidifierOff}},
		expect: expects{site.HumidityHigh: {"dehumidifier-stopped"}, site.DehumidifierIdle: {"dehumidifier-stopped"}}},
	{name: "dehumidifier off, power not measured", month: 6, traits: damp, house: func(c *simulate.Cottage) { c.NoPower = true }, faults: []fault{{kind: simulate.DehumidifierOff}},
		expect: expects{site.HumidityHigh: {"dehumidifier-stopped", "dehumidifier-not-drying"}}},
	{name: "dehumidifier breaker", month: 6, traits: damp, house: func(c *simulate.Cottage) { c.Mains = true }, faults: []fault{{kind: simulate.DehumidifierBreaker}},
		expect: expects{site.MainsLost: {"dehumidifier-without-power"}, site.HumidityHigh: {"dehumidifier-without-power"}}},
	{name: "charge lost", month: 6, traits: soaked, faults: []fault{{kind: simulate.ChargeLost}},
		expect: expects{site.DehumidifierWeak: {"dehumidifier-not-drying"}, site.HumidityHigh: {"dehumidifier-not-drying"}}},
	{name: "compressor dead", month: 6, traits: soaked, faults: []fault{{kind: simulate.CompressorDead}},
		expect: expects{site.DehumidifierWeak: {"dehumidifier-fan-only"}, site.HumidityHigh: {"dehumidifier-fan-only"}}},
	{name: "coil iced", month: 6, traits: soaked, faults: []fault{{kind: simulate.CoilIced}},
		expect: expects{site.DehumidifierWeak: {"dehumidifier-fan-only", "dehumidifier-not-drying"}}},
	{name: "set point raised", month: 6, traits: soaked, faults: []fault{{kind: simulate.SetpointRaised, size: 62.3}},
		expect: expects{site.HumidityHigh: {"set-point-too-high"}}},
	{name: "set point a little high", month: 6, traits: soaked, faults: []fault{{kind: simulate.SetpointRaised, size: 59.5}},
		expect: expects{site.HumidityDrift: {"set-point-too-high"}}},
	{name: "hatch left open in summer", month: 6, faults: []fault{{kind: simulate.AirOpening, size: 14}}, house: func(c *simulate.Cottage) { c.FloorM2 = 120 },
		expect: expects{site.OutdoorAirEntering: {"outdoor-air-entering"}, site.HumidityHigh: {"outdoor-air-entering"}}},
	{name: "hatch open, no dehumidifier", month: 5, faults: []fault{{kind: simulate.AirOpening, size: 6}}, house: func(c *simulate.Cottage) { c.NoDehumidifier = true },
		expect: expects{site.OutdoorAirEntering: {"outdoor-air-entering"}}},
	{name: "plumbing leak", faults: []fault{{kind: simulate.PlumbingLeak, size: 400}}, house: func(c *simulate.Cottage) { c.Leak = true },
		expect: expects{site.LeakAlarm: {"leak-in-space", "plumbing-leak"}, site.WaterUnexplained: {"plumbing-leak"}}},
	{name: "spring water", faults: []fault{{kind: simulate.SpringWater, size: 500}},
		expect: expects{site.WaterUnexplained: {"spring-or-high-water-table"}}},
	{name: "irrigation", month: 6, faults: []fault{{kind: simulate.Irrigation, size: 450}},
		expect: expects{site.WaterUnexplained: {"irrigation"}}},
	{name: "pump dead, damp site", faults: []fault{{kind: simulate.PumpDead}},
		expect: expects{site.PumpSilentInRain: {"pump-not-starting"}}},
	{name: "pump dead, wet site", faults: []fault{{kind: simulate.PumpDead}}, house: wet,
		expect: expects{site.PumpSilentInRain: {"pump-not-starting"}, site.HighWaterAlarm: {"pump-not-starting"}}},
	{name: "pump unplugged, backup runs", faults: []fault{{kind: simulate.PumpUnplugged}}, house: func(c *simulate.Cottage) { wet(c); c.Backup = true },
		expect: expects{site.BackupPumpRan: {"pump-not-starting"}}},
	{name: "pump breaker", faults: []fault{{kind: simulate.PumpBreaker}}, house: func(c *simulate.Cottage) { wet(c); c.Mains = true },
		expect: expects{site.MainsLost: {"pump-without-power"}, site.HighWaterAlarm: {"pump-without-power"}}},
	{name: "pump seized", faults: []fault{{kind: simulate.PumpSeized}}, house: wet,
		expect: expects{site.PumpShortCycling: {"pump-not-starting"}, site.HighWaterAlarm: {"pump-not-starting"}}},
	{name: "impeller worn", days: 100, faults: []fault{{kind: simulate.ImpellerWorn, size: 0.7}}, house: wet,
		expect: expects{site.PumpWeak: {"pump-worn"}}},
	{name: "discharge blocked", faults: []fault{{kind: simulate.DischargeBlocked}}, house: wet,
		expect: expects{site.PumpRunOn: {"discharge-blocked"}}},
	{name: "check valve leaks back", storm: true, faults: []fault{{kind: simulate.CheckValveLeak, long: 2 * day}}, house: func(c *simulate.Cottage) { wet(c); c.Narrow = true },
		expect: expects{site.PumpShortCycling: {"check-valve-leaking-back"}}},
	{name: "float stuck on", faults: []fault{{kind: simulate.FloatStuckOn}}, house: func(c *simulate.Cottage) { c.PumpOn = true },
		expect: expects{site.PumpRunOn: {"float-stuck-on"}}},
	{name: "float narrow", storm: true, faults: []fault{{kind: simulate.FloatNarrow, long: 6 * day}}, house: wet,
		expect: expects{site.PumpShortCycling: {"float-too-narrow"}}},
	{name: "inflow over capacity", storm: true, faults: []fault{{kind: simulate.InflowSurge, size: 60}}, house: wet,
		expect: expects{site.PumpRunOn: {"inflow-over-capacity"}}},
	{name: "mains lost in a storm", storm: true, faults: []fault{{kind: simulate.MainsDown, long: 14 * hour}}, callOne: true,
		house: func(c *simulate.Cottage) { wet(c); c.Mains, c.Fan = true, true }, comms: func(c *simulate.Comms) { c.UplinkNeedsGrid = false },
		expect: expects{site.MainsLost: {"mains-lost"}}},
	{name: "mains lost, uplink with it", storm: true, faults: []fault{{kind: simulate.MainsDown, long: 14 * hour}}, callOne: true,
		house: func(c *simulate.Cottage) { wet(c); c.Mains, c.Fan = true, true }, comms: func(c *simulate.Comms) { c.UplinkNeedsGrid = true },
		expect: expects{site.MainsLost: {"mains-lost"}}},
	{name: "exhaust fan stopped", faults: []fault{{kind: simulate.ExhaustStopped}}, house: func(c *simulate.Cottage) { c.Fan = true },
		expect: expects{site.FanStopped: {"fan-failed"}}},
	{name: "gateway dead", faults: []fault{{kind: simulate.GatewayDead, long: 2 * day}}, callOne: true,
		expect: expects{site.GatewaySilent: {"gateway-offline"}}},
	{name: "uplink cut for days", faults: []fault{{kind: simulate.UplinkDown, long: 3 * day}}, callOne: true,
		expect: expects{site.GatewaySilent: {"gateway-offline"}}},
	{name: "point dead", faults: []fault{{kind: simulate.PointDead, point: "north-bay", long: 5 * day}},
		expect: expects{site.PointSilent: {"sensor-failed", "battery-flat"}}},
	{name: "sensor flat", faults: []fault{{kind: simulate.SensorFlat, point: "north-bay"}}, expect: expects{site.SensorSuspect: {"sensor-flat"}}},
	{name: "sensor stuck wet", faults: []fault{{kind: simulate.SensorStuck, point: "north-bay"}}, expect: expects{site.SensorSuspect: {"sensor-stuck", "sensor-jump"}}},
	{name: "sensor drifts", house: three, days: 90, faults: []fault{{kind: simulate.SensorDrift, point: "hatch", size: 0.9}},
		expect: expects{site.SensorSuspect: {"sensor-disagrees"}}},
	{name: "sensor jumps", house: three, faults: []fault{{kind: simulate.SensorJump, point: "hatch", size: 36, long: 12 * hour}},
		expect: expects{site.SensorSuspect: {"sensor-jump"}}},
	{name: "clock wrong", faults: []fault{{kind: simulate.ClockWrong, long: 2 * day}}, expect: expects{site.SensorSuspect: {"gateway-clock-wrong"}}},
	{name: "battery runs down", faults: []fault{{kind: simulate.BatteryFade, point: "north-bay"}}, house: func(c *simulate.Cottage) { c.Battery = true },
		expect: expects{site.BatteryLow: {"battery-flat"}}},
	{name: "duct bare", month: 6, traits: damp, faults: []fault{{kind: simulate.DuctBare, size: 8}}, house: func(c *simulate.Cottage) { c.Duct = true },
		expect: expects{site.CondensationRisk: {"cold-surface"}}},
	{name: "freezing", month: 12, days: 60, at: 30, faults: []fault{{kind: simulate.AirOpening, size: 25}, {kind: simulate.HeatingOff, size: 1}},
		expect: expects{site.FreezeRisk: {"cold-air-entering"}}},
	{name: "wood wetted", faults: []fault{{kind: simulate.WoodWetted, point: "joist"}}, house: func(c *simulate.Cottage) { c.Wood = true },
		expect: expects{site.WoodWet: {"local-moisture", "leak-in-space", "moisture-source-in-space"}}},
	{name: "mold weather under the house", month: 5, days: 120, at: 30, traits: func(t *simulate.Traits) { t.GroundLPerDay, t.AirChangesPerHour = 60, 0.1 },
		faults: []fault{{kind: simulate.DehumidifierOff}}, expect: expects{site.MoldRisk: {"dehumidifier-stopped"}}},
	{name: "liner torn", month: 6, faults: []fault{{kind: simulate.Dripping, size: 70}},
		expect: expects{site.HumidityHigh: {"moisture-load-above-capacity", "moisture-source-in-space"}}},
}

func wet(c *simulate.Cottage)   { c.WaterHistory = "flooded" }
func three(c *simulate.Cottage) { c.AirPoints = 3 }

// lookAlikes must raise nothing that the definitions do not call for.
var lookAlikes = []scenario{
	{name: "well, damp site", days: 365},
	{name: "well, dry site", days: 365, house: func(c *simulate.Cottage) { c.WaterHistory = "dry" }},
	{name: "well, wet site", days: 365, house: wet},
	{name: "well, everything measured", days: 365, house: func(c *simulate.Cottage) {
		c.AirPoints, c.Fan, c.Backup, c.Level, c.PumpOn, c.Wood, c.Duct, c.Pipe, c.Leak, c.Mains, c.Battery = 3, true, true, true, true, true, true, true, true, true, true
	}},
	{name: "humid summer, hard-worked dehumidifier", month: 6, days: 90, traits: func(t *simulate.Traits) { t.AirChangesPerHour, t.GroundLPerDay = 0.4, 5 }},
	{name: "power blips of three minutes", house: func(c *simulate.Cottage) { c.Mains, c.Fan = true, true }, faults: []fault{
		{kind: simulate.MainsDown, long: 3 * time.Minute}, {kind: simulate.MainsDown, after: 5 * day, long: 2 * time.Minute}, {kind: simulate.MainsDown, after: 9 * day, long: 4 * time.Minute}}},
	{name: "technician opens the hatch for an hour", month: 6, faults: []fault{{kind: simulate.AirOpening, size: 15, long: hour}, {kind: simulate.AirOpening, size: 15, after: 10 * day, long: hour}}},
	{name: "gateway restarts", faults: []fault{{kind: simulate.GatewayDead, long: 12 * time.Minute}, {kind: simulate.GatewayDead, after: 6 * day, long: 20 * time.Minute}}},
	{name: "short cuts, forwarded late", house: wet, faults: []fault{{kind: simulate.UplinkDown, long: 25 * time.Minute}, {kind: simulate.UplinkDown, after: 2 * day, long: 22 * time.Minute},
		{kind: simulate.UplinkDown, after: 4 * day, long: 27 * time.Minute}}},
	{name: "twice the rain, healthy pump", rain: 2, house: wet},
	{name: "no rain at all", rain: -1, days: 120},
	{name: "no rain, dry site", rain: -1, days: 120, house: func(c *simulate.Cottage) { c.WaterHistory = "dry" }},
	{name: "no gauge", house: func(c *simulate.Cottage) { c.NoGauge = true; wet(c) }},
	{name: "cold space, defrost cycles", month: 12, days: 90, traits: func(t *simulate.Traits) { t.GroundMeanC, t.HouseTempC, t.GroundLPerDay = 9, 16, 5 }},
	{name: "set point close to the limit", month: 6, house: func(c *simulate.Cottage) { c.SetpointRH = 54 }, traits: damp},
	{name: "noisy sensors", comms: func(c *simulate.Comms) { c.NoiseFactor = 2.5 }},
	{name: "many drop-outs", comms: func(c *simulate.Comms) { c.DropShare, c.DuplicateShare = 0.08, 0.05 }},
	{name: "drying out after installation", month: 5, wetNew: true, days: 60, traits: func(t *simulate.Traits) { t.StartRHPct = 82 }},
	{name: "gauge blocked, pump works", house: wet, faults: []fault{{kind: simulate.GaugeBlocked}}},
	{name: "wet spring sets in with rain", traits: func(t *simulate.Traits) { t.SlowDays = 9 }, house: wet, rain: 1.4},
	{name: "reports every 15 min", days: 120, house: func(c *simulate.Cottage) { c.Every = 15 * time.Minute }},
}
