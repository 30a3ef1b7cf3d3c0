package viewtest

import (
	"maps"
	"math"
	"sync"
	"time"

	"underkeep/alerting"
	"underkeep/alerting/region"
	"underkeep/api/view"
	"underkeep/store/site"
)

// New builds the fixed fleet: eight cottages on an invented barrier island.
// heron-07 has a tripped dehumidifier and thirty days of readings, tern-12 a
// pump that stays silent in rain, plover-21 a gateway that is not heard.
func New() *Fleet {
	f := &Fleet{
		Access: newAccess(),
		People: map[string]view.Principal{
			ManagerToken:    {Actor: "person 1", Name: "Dana Brook", Role: view.Manager, Everything: true},
			TechnicianToken: {Actor: "person 2", Name: "Lee Marsh", Role: view.Technician, Properties: []string{"heron-07", "tern-12"}},
			OwnerToken:      {Actor: "person 3", Name: "R. Okafor", Role: view.OwnerRole, Properties: []string{"heron-07"}},
			OtherOwnerToken: {Actor: "token 8", Name: "T. Lindqvist", Role: view.OwnerRole, Properties: []string{"gull-03"}},
			WarrantyToken:   {Actor: "person 4", Name: "Claims desk", Role: view.Warranty, Everything: true},
			OperatorToken:   {Actor: "person 5", Name: "Night shift", Role: view.Operator},
			ScopedToken:     {Actor: "token 9", Name: "a reader", Role: view.Manager, Everything: true, Actions: []string{"read"}},
		},
		Values: maps.Clone(measured()), Entries: make(map[string][]view.Entry),
		GatewaysOf: map[string][]view.Gateway{
			"heron-07":  {{ID: "gw1", Presence: "online", LastReceived: Now.Add(-2 * time.Minute)}, {ID: "gw2", Presence: "unknown"}},
			"plover-21": {{ID: "gw1", Presence: "offline", LastReceived: Now.Add(-5 * time.Hour)}},
		},
	}
	f.addProperties()
	f.addAlarms()
	f.addQuarantine()
	f.addDeliveries()
	f.Stopped = []string{"stopped@example.org"}
	f.addEvents()
	f.addVisits()
	f.addWarranty()
	return f
}

// measured is computed once and shared: AddReading replaces a slice and never
// writes into one.
var measured = sync.OnceValue(func() map[Series][]view.Reading {
	v := make(map[Series][]view.Reading)
	fillHeron(v)
	fillTern(v)
	fillGull(v)
	return v
})

func (f *Fleet) addProperties() {
	for _, p := range []struct{ id, name, area string }{
		{"curlew-15", "15 Curlew Court", "Ferry Side"}, {"egret-02", "2 Egret Way", "Ferry Side"},
		{"gull-03", "3 Gull Row", "North Spit"}, {"heron-07", "7 Heron Lane", "North Spit"},
		{"osprey-11", "11 Osprey Path", "Sound Side"}, {"plover-21", "21 Plover Walk", "Sound Side"},
		{"sanderling-04", "4 Sanderling Close", "Ferry Side"}, {"tern-12", "12 Tern Street", "North Spit"},
	} {
		f.Props = append(f.Props, view.Property{
			Property: site.Property{
				ID: p.id, Name: p.name, Area: p.area, Timezone: "America/New_York", Units: site.US,
				Installed: site.Date{Year: 2026, Month: 3, Day: 2}, Points: commonPoints(),
				Owner:         site.Owner{Name: "Owner of " + p.name, Email: p.id + "@example.org"},
				Commissioning: 14 * 24 * time.Hour,
			},
			LastReceived: Now.Add(-2 * time.Minute),
		})
	}
	f.equip()
}

func (f *Fleet) equip() {
	heron := &f.Props[3]
	heron.Owner = site.Owner{Name: "R. Okafor", Email: "owner@example.org", Phone: "+1 555 0100"}
	heron.Points = heronPoints()
	heron.Dehumidifier = &site.Dehumidifier{SetpointRHPct: 50, CapacityLPerDay: 33.1, DrainsTo: "sump"}
	heron.Space = &site.Space{FloorAreaM2: 96.6, HeightM: 0.914}
	f.Props[2].Units = site.SI
	f.Props[5].LastReceived = Now.Add(-5 * time.Hour)
	f.Props[7].Points = ternPoints()
	f.Props[7].Sump = &site.Sump{BasinDiameterM: 0.457, FloatOnM: 0.305, FloatOffM: 0.152, HighWaterM: 0.406, WaterHistory: "flooded",
		Pump: &site.Pump{RatedFlowLps: 3.785, ShutoffHeadM: 6.7}, Discharge: &site.Discharge{Pipe: "pvc-sch40-1.5in", LengthM: 10.7, LiftM: 2.44, Elbows: 3, CheckValve: true}}
}

func commonPoints() []site.Point {
	return []site.Point{{ID: "mid-bay", Measures: []site.Quantity{site.RH, site.AirTemp}, Every: 5 * time.Minute}}
}

func heronPoints() []site.Point {
	return []site.Point{
		{ID: "north-bay", Measures: []site.Quantity{site.RH, site.AirTemp}, Every: 5 * time.Minute},
		{ID: "south-bay", Measures: []site.Quantity{site.RH, site.AirTemp}, Every: 5 * time.Minute},
		{ID: "supply-duct", Measures: []site.Quantity{site.SurfaceTemp}, Surface: "duct", Air: "north-bay", Every: 5 * time.Minute},
		{ID: "sill", Measures: []site.Quantity{site.WoodMoisture}, Air: "north-bay", Every: time.Hour},
		{ID: "dehumidifier", Measures: []site.Quantity{site.DehumidifierPower}, Every: 5 * time.Minute},
		{ID: "sump", Measures: []site.Quantity{site.PumpRun, site.HighWater}},
		{ID: "gauge", Measures: []site.Quantity{site.Rain}},
		{ID: "outdoors", Measures: []site.Quantity{site.RH, site.AirTemp}, Outdoors: true, Every: 15 * time.Minute},
	}
}

func ternPoints() []site.Point {
	return append(commonPoints(),
		site.Point{ID: "sump", Measures: []site.Quantity{site.PumpRun, site.HighWater}},
		site.Point{ID: "gauge", Measures: []site.Quantity{site.Rain}})
}

func (f *Fleet) addAlarms() {
	at := func(before time.Duration) time.Time { return Now.Add(-before) }
	alarm := func(id, property string, c site.Condition, point string, p alerting.Priority, ago time.Duration, s view.State, causes ...alerting.Cause) view.Alarm {
		return view.Alarm{ID: id, State: s, Alarm: alerting.Alarm{
			Property: property, Condition: c, Point: point, Priority: p, Causes: causes,
			RaisedAt: at(ago), KnownAt: at(ago - time.Minute), CallOut: "c" + id,
		}}
	}
	tripped := alerting.Cause{Cause: "dehumidifier-stopped", Evidence: []string{"power 0 W since 2026-07-13T21:40:00Z", "mains of the outlet present"}}
	humid := alarm("106", "heron-07", site.HumidityHigh, "north-bay", alerting.Medium, 5*time.Hour, view.Unacknowledged, tripped)
	drift := alarm("105", "heron-07", site.HumidityDrift, "north-bay", alerting.Low, 4*time.Hour, view.Suppressed)
	drift.SuppressedBy, drift.CallOut = site.HumidityHigh, ""
	wet := alarm("103", "tern-12", site.HighWaterAlarm, "sump", alerting.Urgent, 40*time.Minute, view.Unacknowledged)
	cleared := alarm("101", "heron-07", site.PumpShortCycling, "", alerting.Medium, 100*time.Hour, view.Normal)
	cleared.ClearedAt, cleared.AcknowledgedAt, cleared.AcknowledgedBy = at(96*time.Hour), at(99*time.Hour), "Lee Marsh"
	cleared.PriorityChanges = []alerting.PriorityChange{{At: at(98 * time.Hour), Priority: alerting.Medium}}
	returned := alarm("100", "egret-02", site.MainsLost, "", alerting.High, 30*time.Hour, view.ReturnedUnack)
	returned.ClearedAt = at(29 * time.Hour)
	f.AllAlarms = []view.Alarm{
		alarm("107", "heron-07", site.DehumidifierIdle, "", alerting.Medium, 4*time.Hour, view.Unacknowledged, tripped),
		humid, drift,
		alarm("104", "plover-21", site.GatewaySilent, "", alerting.Medium, 4*time.Hour+30*time.Minute, view.Unacknowledged),
		wet,
		alarm("102", "tern-12", site.PumpSilentInRain, "", alerting.High, 3*time.Hour, view.Acknowledged,
			alerting.Cause{Cause: "pump-not-starting", Evidence: []string{"31.2 mm rain in 9 h without a cycle", "a working pump stays silent in 0.2 % of such storms"}}),
		cleared, returned,
		alarm("99", "osprey-11", site.BatteryLow, "mid-bay", alerting.Low, 70*time.Hour, view.Unacknowledged),
	}
}

// addEvents: a storm four days ago over three houses, one of them heron-07, and
// a short outage elsewhere. Both are over.
func (f *Fleet) addEvents() {
	event := func(id string, kind region.Kind, ago, lasted time.Duration, houses ...string) view.RegionalEvent {
		e := view.RegionalEvent{ID: id, Kind: kind, Houses: len(houses), Since: Now.Add(-ago), Until: Now.Add(lasted - ago),
			Located: true, Latitude: 34.2, Longitude: -77.9, RadiusKm: 1.2,
			Why: region.Chance{Houses: len(houses), InReach: 8, ReachKm: 5, Span: 2 * time.Hour, Expected: 0.002, Probability: 3e-7, RatePerYear: 1}}
		for _, h := range houses {
			e.Members = append(e.Members, view.RegionalMember{Property: h, CallOut: h + " " + id, Since: e.Since, Until: e.Until})
		}
		return e
	}
	outage := event("8", region.MainsLost, 30*time.Hour, time.Hour, "curlew-15", "egret-02", "sanderling-04")
	outage.Members[1].CallOut = "c100"
	storm := event("7", region.Storm, 100*time.Hour, 4*time.Hour, "gull-03", "heron-07", "tern-12")
	storm.Members[1].CallOut = "c101"
	f.Events = []view.RegionalEvent{outage, storm}
	for i := range f.AllAlarms {
		for _, e := range f.Events {
			for _, m := range e.Members {
				if a := &f.AllAlarms[i]; a.Property == m.Property && a.CallOut == m.CallOut {
					a.RegionalEvent = e.ID
				}
			}
		}
	}
}

func (f *Fleet) addQuarantine() {
	f.Quarantined = []view.Quarantined{
		{ID: "2", Property: "heron-07", Gateway: "gw1", ReceivedAt: Now.Add(-time.Hour), Topic: "underkeep/1/heron-07/gw1/readings",
			Reason: "wrong-unit", Detail: "north-bay/air-temp: unit F, accepted Cel", Point: "north-bay", Quantity: "air-temp",
			Payload: []byte(`[{"n":"north-bay/air-temp","u":"F","v":71}]`), PayloadBytes: 43},
		{ID: "1", Property: "no-such", Gateway: "gw1", ReceivedAt: Now.Add(-2 * time.Hour), Topic: "underkeep/1/no-such/gw1/readings",
			Reason: "unknown-property", Detail: "no property no-such", Payload: []byte(`[]`), PayloadBytes: 2, Outcome: "discarded", ClosedAt: Now.Add(-time.Hour), ClosedBy: "Dana Brook"},
	}
}

// wobble is a repeatable stand-in for noise, between -1 and 1.
func wobble(i int, salt float64) float64 {
	x := math.Sin(float64(i)*12.9898+salt) * 43758.5453
	return 2*(x-math.Floor(x)) - 1
}

// every calls f with whole steps of the last 30 days and the hours before Now.
func every(step time.Duration, f func(i int, at time.Time, hoursAgo float64)) {
	n := int(30 * 24 * time.Hour / step)
	for i := range n {
		at := Now.Add(-time.Duration(n-1-i) * step)
		f(i, at, Now.Sub(at).Hours())
	}
}

func day(hoursAgo float64) float64 { return math.Sin(2 * math.Pi * (4 - hoursAgo) / 24) }

// fillHeron: dry and even, then the dehumidifier stops 14.3 h ago and the air
// follows; a hole of seven hours five days back while the gateway stored nothing.
func fillHeron(v map[Series][]view.Reading) {
	put := func(point string, q site.Quantity, at time.Time, value float64) {
		s := Series{"heron-07", point, q}
		v[s] = append(v[s], view.Reading{At: at, Value: math.Round(value*100) / 100})
	}
	every(5*time.Minute, func(i int, at time.Time, ago float64) {
		if ago > 118 && ago < 125 {
			return
		}
		rise := 22 * (1 - math.Exp(-max(0, 14.3-ago)/6))
		put("north-bay", site.RH, at, 50+2*day(ago)+rise+0.4*wobble(i, 1))
		put("south-bay", site.RH, at, 48+1.5*day(ago)+0.7*rise+0.4*wobble(i, 2))
		put("north-bay", site.AirTemp, at, 22+0.8*day(ago)+0.1*wobble(i, 3))
		put("south-bay", site.AirTemp, at, 22.3+0.7*day(ago)+0.1*wobble(i, 4))
		put("supply-duct", site.SurfaceTemp, at, 17.5+2.2*math.Sin(2*math.Pi*ago/5)+0.2*wobble(i, 5))
		watts := 0.0
		if ago > 14.3 && math.Mod(ago, 1.5) < 0.8 {
			watts = 560 + 15*wobble(i, 6)
		}
		put("dehumidifier", site.DehumidifierPower, at, watts)
	})
	every(15*time.Minute, func(i int, at time.Time, ago float64) {
		put("outdoors", site.RH, at, 74-14*day(ago)+2*wobble(i, 7))
		put("outdoors", site.AirTemp, at, 27+5*day(ago)+0.5*wobble(i, 8))
	})
	every(time.Hour, func(i int, at time.Time, ago float64) {
		put("sill", site.WoodMoisture, at, 11.2+0.1*wobble(i, 9)+max(0, 14-ago)*0.05)
		storm := math.Mod(ago, 90)
		if storm < 8 && ago > 20 {
			put("gauge", site.Rain, at, 4*math.Sin(math.Pi*(storm+0.5)/9))
		} else {
			put("gauge", site.Rain, at, 0)
		}
		cycles := 0
		switch {
		case storm < 12 && ago > 20:
			cycles = 4
		case i%7 == 0:
			cycles = 1
		}
		for k := range cycles {
			put("sump", site.PumpRun, at.Add(time.Duration(k)*13*time.Minute), 14+wobble(i+k, 10))
		}
	})
	put("sump", site.HighWater, Now.Add(-50*time.Hour), 0)
}

func fillTern(v map[Series][]view.Reading) {
	put := func(point string, q site.Quantity, at time.Time, value float64) {
		s := Series{"tern-12", point, q}
		v[s] = append(v[s], view.Reading{At: at, Value: math.Round(value*100) / 100})
	}
	every(time.Hour, func(i int, at time.Time, ago float64) {
		put("mid-bay", site.RH, at, 53+2*day(ago)+wobble(i, 11))
		put("mid-bay", site.AirTemp, at, 21.5+0.6*day(ago))
		rain := 0.0
		if ago < 9 {
			rain = 3.5
		}
		put("gauge", site.Rain, at, rain)
		if ago > 20 && i%6 == 0 {
			put("sump", site.PumpRun, at, 15+wobble(i, 12))
		}
	})
	put("sump", site.HighWater, Now.Add(-41*time.Minute), 1)
}

func fillGull(v map[Series][]view.Reading) {
	every(time.Hour, func(i int, at time.Time, ago float64) {
		rh, temp := Series{"gull-03", "mid-bay", site.RH}, Series{"gull-03", "mid-bay", site.AirTemp}
		v[rh] = append(v[rh], view.Reading{At: at, Value: 49 + day(ago) + 0.3*wobble(i, 13)})
		v[temp] = append(v[temp], view.Reading{At: at, Value: 21 + 0.5*day(ago)})
	})
}
