package alerting

import (
	"fmt"
	"slices"
	"time"

	"underkeep/store/site"
)

// whyEquipment covers power, the fan, gateways and instruments.
func (e *engine) whyEquipment(f *findings, c site.Condition, point string, at int64) {
	switch c {
	case site.MainsLost:
		e.whyNoPower(f)
	case site.FanStopped:
		power, _ := e.value(e.pr.fan)
		f.add(0.8, causeFan, fmt.Sprintf("draws %.0f W, usually %.0f W", power, e.st.Fan.UsualW))
	case site.GatewaySilent:
		e.whyGateway(f)
	case site.PointSilent:
		e.whyPointSilent(f, point)
	case site.SensorSuspect:
		e.whySuspect(f, point)
	case site.BatteryLow:
		f.add(0.9, causeBattery, "battery under "+fmt.Sprintf("%.0f %%", e.pr.site.Limits.Value(c, "below")))
	}
}

func (e *engine) whyNoPower(f *findings) {
	for _, c := range e.deadCircuits() {
		switch c {
		case "":
			f.add(0.9, causeMains, "the house reports no power")
		case "pump":
			f.add(0.8, causePumpPower, "the pump's outlet reports no power")
		default:
			f.add(0.8, causeDehumidifierPower, "the "+c+" outlet reports no power")
		}
	}
	f.add(0.1, causeMains, "no power reported")
}

func (e *engine) whyGateway(f *findings) {
	for i := range e.receipt.Gateways {
		if g := &e.receipt.Gateways[i]; g.Silent && g.Offline != 0 {
			f.add(0.7, causeGatewayOffline, "its connection closed at "+timeAt(g.Offline).Format(time.RFC3339))
		}
	}
	if e.active(site.MainsLost, "") {
		f.add(0.9, causeMains, "power was reported lost before")
	}
	f.add(0.4, causeGatewayOffline, "nothing received: its power, its network, or itself")
}

func (e *engine) whyPointSilent(f *findings, point string) {
	if find(e.st.Open, site.BatteryLow, point) != nil {
		f.add(0.9, causeBattery, "its battery was low")
	}
	i := indexBy(len(e.pr.points), func(i int) bool { return e.pr.points[i].id == point })
	if i >= 0 {
		for _, s := range e.pr.points[i].series {
			if sig := &e.st.Signals[s]; e.desc.Series[s].Quantity == site.Battery && sig.At != 0 && sig.Value < 25 {
				f.add(0.8, causeBattery, fmt.Sprintf("its battery last read %.0f %%", sig.Value))
			}
		}
	}
	if k := indexBy(len(e.receipt.Points), func(k int) bool { return e.receipt.Points[k].Point == point }); k >= 0 {
		e.whyClock(f, e.receipt.Points[k].Gateway)
	}
	f.add(0.5, causeSensorDead, "its gateway speaks, the sensor does not")
}

func (e *engine) whySuspect(f *findings, point string) {
	i := indexBy(len(e.st.Points), func(i int) bool { return e.st.Points[i].Point == point })
	if i < 0 {
		return
	}
	p := &e.st.Points[i]
	for k, s := range suspicionCauses {
		if p.Reasons&s.bit != 0 {
			f.add(0.9-0.05*float64(k), s.cause, p.evidence(s.bit))
		}
	}
	if slices.Contains(e.receipt.Suspects, point) {
		if n := len(e.receipt.Refused); n > 0 && !e.receipt.Refused[n-1].Impossible {
			e.whyClock(f, e.receipt.Refused[n-1].Gateway)
		}
		f.add(0.95, causeRefused, "readings refused for impossible values or times")
	}
}

// whyClock: sensors do not know the time. Where several points of one gateway
// are refused for it, it is the gateway's clock.
func (e *engine) whyClock(f *findings, gateway uint16) {
	var points []string
	for _, r := range e.receipt.Refused {
		if r.Gateway == gateway && !r.Impossible && !slices.Contains(points, r.Point) {
			points = append(points, r.Point)
		}
	}
	if len(points) >= 2 {
		f.add(0.97, causeClock, fmt.Sprintf("times of %d points of its gateway were refused within a day", len(points)))
	}
}

func (p *pointState) evidence(bit suspicion) string {
	flat := func(t *trackState) string {
		return fmt.Sprintf("the same %.2f since %s", t.FlatValue, timeAt(t.FlatSince).Format(time.RFC3339))
	}
	switch bit {
	case suspectFlatRH:
		return "humidity " + flat(&p.RH)
	case suspectFlatTemp:
		return "temperature " + flat(&p.Temp)
	case suspectStuck:
		return fmt.Sprintf("humidity stuck at %.1f %%RH", p.RH.FlatValue)
	case suspectJump:
		return "a jump that no other point saw"
	case suspectVapour:
		return "vapour pressure away from all other points of the space"
	}
	return "no rain in the gauge while the weather station had plenty"
}
