package simulate_test

import (
	"fmt"
	"testing"
	"time"

	"underkeep/alerting"
	"underkeep/alerting/region"
	"underkeep/alerting/simulate"
)

// Forty houses of a village in one simulated trouble: what is forty call-outs
// by house is one event by region. The same trouble in three of forty houses
// that stand 30 km apart is three call-outs.
func TestFortyHousesInOneTroubleAreOneCallOut(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name string
		kind simulate.Kind
		want region.Kind
	}{
		{"mains out", simulate.MainsDown, region.MainsLost},
		{"network out", simulate.UplinkDown, region.GatewaySilent},
		{"gateways dead", simulate.GatewayDead, region.GatewaySilent},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			near, nearHit := village(t, c.kind, 40, 0.0004, 1)
			got := region.Join(near, nearHit, map[region.Family]float64{region.Outage: 1.0 / 8766})
			if len(got) != 1 || got[0].Kind != c.want || got[0].Houses != 40 || len(got[0].Members) != len(nearHit) {
				t.Errorf("%d call-outs of 40 houses: %+v", len(nearHit), got)
			}
			far, farHit := village(t, c.kind, 40, 0.3, 14)
			if got := region.Join(far, farHit, map[region.Family]float64{region.Outage: 50.0 / 8766}); len(farHit) < 3 || len(got) != 0 {
				t.Errorf("%d call-outs far apart in a fleet that has many: %+v", len(farHit), got)
			}
		})
	}
}

// village simulates n houses for two days, apart by some degrees of latitude;
// the trouble strikes every one in hit of them, on the second day at noon, for
// two hours, an hour later from house to house where it is not all of them.
func village(t *testing.T, kind simulate.Kind, n int, apart float64, hit int) (*region.Fleet, []region.CallOut) {
	t.Helper()
	from := time.Date(2013, 5, 6, 0, 0, 0, 0, time.UTC)
	var places []region.Place
	var out []region.CallOut
	for i := range n {
		places = append(places, region.Place{Located: true, Lat: 34 + apart*float64(i), Lon: -77.9, Zone: "America/New_York"})
		if i%hit != 0 {
			continue
		}
		home := simulate.Cottage{ID: fmt.Sprintf("v-%d", i), Name: "v", FloorM2: 90, Mains: true, Installed: from.AddDate(0, -2, 0)}
		at := from.Add(36*time.Hour + time.Duration(i)*7*time.Second)
		if hit > 1 {
			at = at.Add(time.Duration(i/hit) * time.Hour)
		}
		cfg := simulate.Config{Property: home.Property(), From: from, NoPayload: true, Weather: simulate.MeasuredWeather(simulate.Newark, 0),
			Rain: simulate.NoRain(), Faults: []simulate.Fault{{Kind: kind, From: at, Until: at.Add(2 * time.Hour)}}}
		s := simulate.NewSpace(cfg, uint64(i))
		rc := newReceiver(s.Property())
		s.Advance(from.AddDate(0, 0, 2), rc.take)
		if err := rc.replay(); err != nil {
			t.Fatal(err)
		}
		out = append(out, callOutsOf(i, rc.r.Alarms())...)
	}
	return region.NewFleet(places), out
}

// callOutsOf a house, as the store makes them of its alarms.
func callOutsOf(house int, alarms []alerting.Alarm) (out []region.CallOut) {
	index := map[string]int{}
	for _, a := range alarms {
		f := region.FamilyOf(a.Condition)
		if f == region.NoFamily || a.CallOut == "" || a.SuppressedBy != "" {
			continue
		}
		i, ok := index[a.CallOut]
		if !ok {
			i = len(out)
			index[a.CallOut] = i
			out = append(out, region.CallOut{House: house, ID: a.CallOut, Family: f, At: a.RaisedAt, End: a.ClearedAt})
		}
		out[i].Mains = out[i].Mains || a.Condition == "mains-lost"
		cause := a.Causes[0].Cause // the store's rule for what rain explains
		out[i].Rain = out[i].Rain || a.Condition == "pump-silent-in-rain" || cause == "inflow-high" || cause == "inflow-over-capacity" || cause == "ground-water"
	}
	return out
}

// A storm fills the basins of forty wet houses of a village faster than their
// pumps empty them: one event, a storm.
func TestFortyHousesInOneStormAreOneCallOut(t *testing.T) {
	t.Parallel()
	rain := simulate.MeasuredRain(simulate.LaGuardia, 0)
	from := time.Date(2013, 5, 1, 0, 0, 0, 0, time.UTC)
	at := heaviest(rain, from, from.AddDate(0, 1, 0)).Add(-time.Hour)
	start := at.Add(-36 * time.Hour)
	var places []region.Place
	var out []region.CallOut
	wet := 0
	for i := range 40 {
		places = append(places, region.Place{Located: true, Lat: 34 + 0.0004*float64(i), Lon: -77.9, Zone: "America/New_York"})
		home := simulate.Cottage{ID: fmt.Sprintf("s-%d", i), Name: "s", FloorM2: 90, WaterHistory: "flooded", Installed: start.AddDate(0, -2, 0)}
		cfg := simulate.Config{Property: home.Property(), From: start, NoPayload: true, Weather: simulate.MeasuredWeather(simulate.LaGuardia, 0),
			Rain: rain, Faults: []simulate.Fault{{Kind: simulate.InflowSurge, From: at, Size: 60}}}
		s := simulate.NewSpace(cfg, uint64(500+i))
		rc := newReceiver(s.Property())
		s.Advance(at.Add(24*time.Hour), rc.take)
		if err := rc.replay(); err != nil {
			t.Fatal(err)
		}
		mine := callOutsOf(i, rc.r.Alarms())
		if len(mine) > 0 {
			wet++
		}
		out = append(out, mine...)
	}
	got := region.Join(region.NewFleet(places), out, map[region.Family]float64{region.Water: 1.0 / 8766})
	if wet < 30 || len(got) != 1 || got[0].Kind != region.Storm || got[0].Houses != wet {
		t.Errorf("%d houses with water, %d call-outs: %+v", wet, len(out), got)
	}
}
