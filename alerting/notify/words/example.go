package words

import (
	"time"

	"underkeep/alerting"
	"underkeep/store/site"
	"underkeep/store/site/units"
	"underkeep/store/visit"
)

// Example is a message about a condition at an invented house, for previews and
// for the tests: with the priority that the condition usually has, a likely
// cause and figures of the kind that such a message cites.
func Example(l Lang, sys units.System, owner bool, c site.Condition, kind AlarmKind) Message {
	zone, err := time.LoadLocation("America/New_York")
	if err != nil {
		zone = time.UTC
	}
	raised := time.Date(2026, 9, 14, 20, 5, 0, 0, time.UTC)
	x := examples[c]
	a := Alarm{Condition: c, Point: x.point, Priority: x.priority, RaisedAt: raised, Cause: x.cause, Limit: x.limit, Rain24MM: x.rain}
	for _, f := range x.figures {
		f.At = raised.Add(-5 * time.Minute)
		a.Figures = append(a.Figures, f)
	}
	if x.heard {
		a.Heard = raised.Add(-40 * time.Minute)
	}
	if kind == Returned {
		a.OverAt, a.AnsweredBy, a.AnsweredAt = raised.Add(5*time.Hour), "Mara Quill", raised.Add(20*time.Minute)
	}
	m := Message{Reader: Reader{Lang: l, Units: sys, Owner: owner, Company: "Skerry Bank Dry Spaces", Phone: "+1 555 010 0200", Zone: zone,
		StopURL: "https://watch.example/stop/…"}, Kind: kind, Property: "7 Heron Lane", Alarms: []Alarm{a}, ToldAt: raised.Add(time.Minute),
		PageURL: "https://watch.example/home/heron-07"}
	if !owner {
		m.PageURL = "https://watch.example/properties/heron-07"
	}
	if kind == Raised || kind == Reminder {
		m.SeenURL = "https://watch.example/seen/…"
	}
	if len(a.Figures) > 0 && a.Figures[0].Quantity != site.HighWater && a.Figures[0].Quantity != site.Leak && a.Figures[0].Quantity != site.Mains {
		m.Chart = &Chart{Quantity: a.Figures[0].Quantity, Point: a.Figures[0].Point, From: raised.Add(-48 * time.Hour), To: raised, Limited: x.limit != nil}
	}
	return m
}

type example struct {
	priority alerting.Priority
	point    string
	cause    string
	figures  []Figure
	limit    *Limit
	rain     *float64
	heard    bool
}

func mm(v float64) *float64 { return &v }

var examples = map[site.Condition]example{
	site.HumidityHigh: {alerting.Medium, "north-bay", "dehumidifier-stopped", []Figure{{Quantity: site.RH, Point: "north-bay", Value: 67.5},
		{Quantity: site.AirTemp, Point: "north-bay", Value: 23.4}, {Quantity: site.DehumidifierPower, Point: "dehumidifier", Value: 2}},
		&Limit{units.RelHumidity, 60, false}, nil, false},
	site.HumidityDrift: {alerting.Low, "north-bay", "set-point-too-high", []Figure{{Quantity: site.RH, Point: "north-bay", Value: 57}}, nil, nil, false},
	site.CondensationRisk: {alerting.Medium, "supply-duct", "cold-surface", []Figure{{Quantity: site.SurfaceTemp, Point: "supply-duct", Value: 14.2},
		{Quantity: site.RH, Point: "north-bay", Value: 62}, {Quantity: site.AirTemp, Point: "north-bay", Value: 22}}, nil, nil, false},
	site.MoldRisk: {alerting.Medium, "north-bay", "outdoor-air-entering", []Figure{{Quantity: site.RH, Point: "north-bay", Value: 88}}, nil, nil, false},
	site.WoodWet:  {alerting.Medium, "joist-3", "local-moisture", []Figure{{Quantity: site.WoodMoisture, Point: "joist-3", Value: 21}}, nil, nil, false},
	site.PumpShortCycling: {alerting.Medium, "", "check-valve-leaking-back", []Figure{{Quantity: site.PumpRun, Point: "sump", Value: 6}},
		nil, mm(0), false},
	site.PumpSilentInRain: {alerting.High, "", "pump-not-starting", []Figure{{Quantity: site.PumpRun, Point: "sump", Value: 38}}, nil, mm(42), false},
	site.PumpRunOn:        {alerting.High, "", "float-stuck-on", []Figure{{Quantity: site.PumpRun, Point: "sump", Value: 860}}, nil, mm(3), false},
	site.PumpWeak:         {alerting.Low, "", "pump-worn", []Figure{{Quantity: site.PumpRun, Point: "sump", Value: 61}}, nil, nil, false},
	site.WaterUnexplained: {alerting.Medium, "", "plumbing-leak", []Figure{{Quantity: site.PumpRun, Point: "sump", Value: 38}}, nil, mm(0), false},
	site.HighWaterAlarm: {alerting.Urgent, "sump", "pump-not-starting", []Figure{{Quantity: site.HighWater, Point: "sump", Value: 1},
		{Quantity: site.WaterLevel, Point: "sump", Value: 430}, {Quantity: site.PumpRun, Point: "sump", Value: 38}}, nil, mm(42), false},
	site.LeakAlarm: {alerting.High, "floor", "plumbing-leak", []Figure{{Quantity: site.Leak, Point: "floor", Value: 1}}, nil, mm(0), false},
	site.DehumidifierIdle: {alerting.Medium, "", "dehumidifier-stopped", []Figure{{Quantity: site.DehumidifierPower, Point: "dehumidifier", Value: 2},
		{Quantity: site.RH, Point: "north-bay", Value: 61}}, nil, nil, false},
	site.DehumidifierWeak: {alerting.Low, "", "dehumidifier-not-drying", []Figure{{Quantity: site.DehumidifierPower, Point: "dehumidifier", Value: 540},
		{Quantity: site.RH, Point: "north-bay", Value: 60}}, nil, nil, false},
	site.FanStopped:    {alerting.Low, "", "fan-failed", []Figure{{Quantity: site.FanPower, Point: "fan", Value: 0}}, nil, nil, false},
	site.BackupPumpRan: {alerting.High, "", "pump-not-starting", []Figure{{Quantity: site.PumpRun, Point: "backup-pump", Value: 44}}, nil, mm(38), false},
	site.OutdoorAirEntering: {alerting.Low, "", "outdoor-air-entering", []Figure{{Quantity: site.RH, Point: "north-bay", Value: 72},
		{Quantity: site.AirTemp, Point: "north-bay", Value: 26}}, nil, nil, false},
	site.FreezeRisk: {alerting.High, "north-bay", "cold-air-entering", []Figure{{Quantity: site.AirTemp, Point: "north-bay", Value: 2.5}},
		&Limit{units.Temperature, 4, true}, nil, false},
	site.MainsLost:     {alerting.High, "", "mains-lost", []Figure{{Quantity: site.Mains, Point: "house", Value: 0}}, nil, nil, false},
	site.GatewaySilent: {alerting.Medium, "", "gateway-offline", nil, nil, nil, true},
	site.PointSilent:   {alerting.Low, "north-bay", "sensor-failed", []Figure{{Quantity: site.RH, Point: "north-bay", Value: 51}}, nil, nil, true},
	site.SensorSuspect: {alerting.Low, "north-bay", "sensor-flat", []Figure{{Quantity: site.RH, Point: "north-bay", Value: 50.1}}, nil, nil, false},
	site.BatteryLow:    {alerting.Low, "north-bay", "battery-flat", []Figure{{Quantity: site.Battery, Point: "north-bay", Value: 12}}, &Limit{units.Percent, 15, true}, nil, false},
}

// ExampleSummary is an owner's month at the invented house.
func ExampleSummary(l Lang, sys units.System) Summary {
	m := Example(l, sys, true, site.HumidityHigh, Returned)
	return Summary{Reader: m.Reader, Property: m.Property, Month: time.Date(2026, 9, 15, 0, 0, 0, 0, m.Zone), MeanRHPct: 51.3, MostRHPct: 67.5,
		AboveHours: 9, LimitPct: 60, Covered: 0.993, PumpCycles: 212, Happened: []Happened{{Alarm: m.Alarms[0]}},
		Visits:     []VisitDone{{At: m.Alarms[0].RaisedAt.AddDate(0, 0, 2), Kind: visit.Repair, Findings: "Fuse of the outlet was blown.", Work: []visit.Work{visit.WorkFilter}, Parts: []string{"outlet with ground-fault protection"}}},
		Checkpoint: "log.skerry.example\n123\nbase64…\n", PageURL: m.PageURL}
}
