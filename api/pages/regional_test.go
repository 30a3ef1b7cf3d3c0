package pages_test

import (
	"strings"
	"testing"
	"time"

	"underkeep/alerting"
	"underkeep/alerting/region"
	"underkeep/api/view"
	"underkeep/api/viewtest"
	"underkeep/store/site"
)

// outage makes four of the eight houses lose their power together; at tern-12
// water is high at the same time.
func outage(f *viewtest.Fleet) {
	e := view.RegionalEvent{ID: "9", Kind: region.MainsLost, Houses: 4, Since: viewtest.Now.Add(-50 * time.Minute),
		Located: true, RadiusKm: 1.4, Why: region.Chance{Houses: 4, InReach: 8, ReachKm: 5, Span: 10 * time.Minute, Expected: 0.001}}
	for _, id := range []string{"curlew-15", "gull-03", "sanderling-04", "tern-12"} {
		f.AllAlarms = append(f.AllAlarms, view.Alarm{ID: "m-" + id, State: view.Unacknowledged, RegionalEvent: "9",
			Alarm: alerting.Alarm{Property: id, Condition: site.MainsLost, Priority: alerting.High, RaisedAt: e.Since, KnownAt: e.Since, CallOut: "m"}})
		e.Members = append(e.Members, view.RegionalMember{Property: id, CallOut: "m", Since: e.Since})
	}
	f.Events = append([]view.RegionalEvent{e}, f.Events...)
}

// Four houses without power are one row that lists them; a house with water in
// it keeps its own row above.
func TestTodayShowsARegionalEventAsOneRow(t *testing.T) {
	t.Parallel()
	b := signedIn(t, viewtest.ManagerToken)
	outage(b.fleet)
	body := b.page("/today")
	b.order(body, "12 Tern Street", "No power at 4 houses", "within 1 km", "4 of 8 houses", "3 Gull Row", "7 Heron Lane")
	for house, want := range map[string]int{"3 Gull Row": 1, "4 Sanderling Close": 1, "12 Tern Street": 2, "7 Heron Lane": 1} {
		if n := strings.Count(body, ">"+house+"<"); n != want {
			t.Errorf("%s stands %d times on the page, want %d", house, n, want)
		}
	}
	if found := b.page("/today?q=gull"); strings.Contains(found, "No power at 4 houses") || !strings.Contains(found, "3 Gull Row") {
		t.Error("who looks for a house does not find it in its own row")
	}
	b.order(b.page("/properties/gull-03"), "What is wrong", "Not only here.", "No power at 4 houses within 1 km", "4 of 8 houses", "No power")
	if alone := b.page("/properties/heron-07"); strings.Contains(alone, "Not only here.") {
		t.Error("a house with trouble of its own is said to share it")
	}
	owner := signedIn(t, viewtest.OtherOwnerToken)
	outage(owner.fleet)
	owner.expect(owner.page("/home/gull-03"), "Power seems to be out around your house.", "it is 4")
}
