package view

import (
	"testing"
	"time"

	"underkeep/api/warranty"
	"underkeep/store/site"
	"underkeep/store/visit"
)

func plannedOn(t *testing.T, h *visit.History, terms visit.Terms, now time.Time, task visit.Task) string {
	t.Helper()
	for _, d := range visit.Plans(*h, terms, now) {
		if d.Task == task {
			return d.On.String()
		}
	}
	return ""
}

// Days worked out by hand: 400 days from 2 March 2026 is 6 April 2027; from a
// service visit on 10 June 2026, 15 July 2027. The company's second version asks
// for a visit every 180 days from 1 July 2026 on: 180 days from 10 June 2026 is
// 7 December 2026.
func TestServicePlanGoesByTheTerms(t *testing.T) {
	t.Parallel()
	sets := ShippedTerms()
	std := sets[0].Terms
	second := std
	second.Version, second.Effective = 2, site.Date{Year: 2026, Month: time.July, Day: 1}
	second.Service = &warranty.ServiceTerms{Interval: 180 * 24 * time.Hour, Visits: []string{"service"}}
	second.SensorCheck = nil
	sets = append(sets, TermsVersion{Terms: second})

	h := &visit.History{Zone: time.UTC, Installed: site.Date{Year: 2026, Month: time.March, Day: 2}, Terms: std.Name,
		Sensors: []visit.SensorHistory{{Point: "north-bay"}}}
	june, july := time.Date(2026, 6, 30, 12, 0, 0, 0, time.UTC), time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC)
	at := func(now time.Time, task visit.Task) string {
		return plannedOn(t, h, ServiceTerms(sets, now)(h), now, task)
	}
	check := func(what, got, want string) {
		t.Helper()
		if got != want {
			t.Errorf("%s: %q, want %q", what, got, want)
		}
	}
	check("service, never visited", at(june, visit.TaskService), "2027-04-06")
	check("sensors, never checked", at(june, visit.TaskSensorCheck), "2027-04-06")
	h.Visited = map[visit.Kind]time.Time{visit.Service: time.Date(2026, 6, 10, 15, 0, 0, 0, time.UTC), visit.Repair: june}
	check("service, after a visit and a repair that does not count", at(june, visit.TaskService), "2027-07-15")
	check("service, by the second version", at(july, visit.TaskService), "2026-12-07")
	check("sensors, the second version says nothing: a year", at(july, visit.TaskSensorCheck), "2027-03-02")
	for _, name := range []string{"", "nobody-knows"} {
		h.Terms = name
		check("no service by terms "+name, at(june, visit.TaskService), "")
		check("sensors by terms "+name, at(june, visit.TaskSensorCheck), "2027-03-02")
	}
}
