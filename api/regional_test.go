package api

import (
	"fmt"
	"net/http"
	"testing"
	"time"

	"underkeep/store"
	"underkeep/store/site"
)

// Water is high at six houses of one village within minutes, and at one far
// away: one event of six over the API, on their alarms and properties, and in
// the load; each owner sees the event with the own house only.
func TestRegionalEventsOverTheAPI(t *testing.T) {
	t.Parallel()
	g := newRealRig(t)
	manager := g.token(store.RoleManager)
	for i := range 7 {
		q := cottageFile(fmt.Sprintf("reed-%d", i), airAndSump)
		area, lat := "Reed Village", 34.2
		if i == 6 {
			area, lat = "Far Point", 35.9
		}
		q.body = fmt.Sprintf("area: %s\nlocation: {lat: %.4f, lon: -77.9}\n", area, lat+0.001*float64(i)) + q.body
		q.token = manager
		g.status(q, http.StatusCreated)
		if _, err := g.store.AddGateway(t.Context(), fmt.Sprintf("reed-%d", i), "gw1", "test"); err != nil {
			t.Fatal(err)
		}
		start := g.now.Add(-30*time.Minute + time.Duration(i)*time.Minute)
		g.record(fmt.Sprintf("reed-%d", i), store.Reading{Point: "sump", Quantity: site.HighWater, At: start, Value: 1},
			store.Reading{Point: "mid-bay", Quantity: site.RH, At: start.Add(5 * time.Minute), Value: 50})
	}
	for out := 1; out > 0; {
		e, err := g.store.EvaluateDue(t.Context(), g.now)
		if err != nil {
			t.Fatal(err)
		}
		out = e.Properties
	}
	if _, _, err := g.store.JoinRegional(t.Context(), g.now); err != nil {
		t.Fatal(err)
	}
	var list struct {
		Events []regionalOut `json:"regional_events"`
	}
	g.into(request{path: "/v1/regional-events?standing=true", token: manager}, &list)
	if len(list.Events) != 1 || list.Events[0].Kind != "water" || list.Events[0].Houses != 6 || len(list.Events[0].Members) != 6 || list.Events[0].Where == nil {
		t.Fatalf("events %+v", list.Events)
	}
	id := list.Events[0].ID
	var found struct {
		Alarms []alarmOut `json:"alarms"`
	}
	g.into(request{path: "/v1/alarms", token: manager}, &found)
	for _, a := range found.Alarms {
		if in := a.RegionalEvent != nil && *a.RegionalEvent == id; in == (a.Property == "reed-6") || a.State != "unacknowledged" {
			t.Errorf("%s at %s is in the event: %v; state %s", a.Condition, a.Property, in, a.State)
		}
	}
	var property propertyDetail
	g.into(request{path: "/v1/properties/reed-2", token: manager}, &property)
	if len(property.Status.Regional) != 1 || property.Status.Regional[0] != id {
		t.Errorf("the property names %v", property.Status.Regional)
	}
	var load loadOut
	g.into(request{path: "/v1/alarm-load?to=" + g.now.Add(time.Minute).Format(time.RFC3339), token: manager}, &load)
	if load.Alarms != 2 || load.Joined != 5 || load.Regional != 1 {
		t.Errorf("load: %d alarms, %d joined, %d events", load.Alarms, load.Joined, load.Regional)
	}
	owner := g.token(store.RoleOwner, "reed-2")
	g.into(request{path: "/v1/regional-events/" + id, token: owner}, &list.Events[0])
	if e := list.Events[0]; e.Houses != 6 || len(e.Members) != 1 || e.Members[0].Property != "reed-2" {
		t.Errorf("an owner sees %+v", e)
	}
	g.status(request{path: "/v1/regional-events/" + id, token: g.token(store.RoleOwner, "reed-6")}, http.StatusNotFound)
}
