package main

import (
	"archive/zip"
	"encoding/json"
	"io"
	"reflect"
	"strings"
	"testing"
	"time"

	"underkeep/store"
	"underkeep/store/site"
	"underkeep/store/visit"
)

const claimCottage = sealedCottage + `warranty: {terms: standard-60}
`

// claim is a house of which much was recorded before and after the period that a
// verdict is asked for.
type claim struct {
	*logRig
	today site.Date
}

// at is local noon of a day so many days ago.
func (c *claim) at(daysAgo int) time.Time {
	zone, err := time.LoadLocation("America/New_York")
	if err != nil {
		c.t.Fatal(err)
	}
	return c.today.AddDays(-daysAgo).In(zone).Add(12 * time.Hour)
}

func (c *claim) must(out any, err error) {
	c.t.Helper()
	if err != nil {
		c.t.Fatal(err, out)
	}
}

// by writes something of a visit, as it was so many days ago.
func (c *claim) by(daysAgo int) store.VisitWrite {
	return store.VisitWrite{Scope: store.AllProperties, By: "R. Okafor", Now: c.at(daysAgo)}
}

// check of the sensor, made and recorded so many days ago.
func (c *claim) check(made, recorded int, read float64) {
	c.t.Helper()
	c.must(c.store.AddSensorCheck(c.t.Context(), c.by(recorded), "heron-07", "",
		visit.SensorCheck{At: c.at(made), Point: "north-bay", Salt: "NaCl", TempC: 20, ReadPct: read}))
}

func newClaim(t *testing.T) *claim {
	t.Helper()
	c := &claim{logRig: newLogRig(t), today: site.DateOf(time.Now().UTC())}
	ctx := t.Context()
	c.must(c.store.RegisterFile(ctx, []byte(claimCottage), "heron-07.yaml", "test"))
	changed := strings.Replace(claimCottage, "installed: 2026-03-02", "installed: 2026-03-02\neffective: "+c.today.AddDays(-13).String(), 1)
	changed = strings.Replace(changed, "every: 5m", "every: 5m, sensor: {serial: B42, accuracy: {rh: 2 %RH, air-temp: 0.3 C}}", 1)
	c.must(c.store.RegisterFile(ctx, []byte(changed), "heron-07.yaml", "test"))
	var readings []store.Delivery
	for at := c.at(21); at.Before(c.at(1)); at = at.Add(30 * time.Minute) {
		readings = append(readings, store.Delivery{Property: "heron-07", Gateway: "main", Received: at.Add(time.Second),
			Readings: []store.Reading{{Point: "north-bay", Quantity: site.RH, At: at, Value: 55}, {Point: "north-bay", Quantity: site.AirTemp, At: at, Value: 18}}})
	}
	c.must(c.store.Record(ctx, readings))
	planned, err := c.store.PlanVisit(ctx, c.by(17), visit.Plan{Property: "heron-07", Kind: "service", Reason: "yearly"})
	c.must(planned, err)
	c.must(c.store.StartVisit(ctx, c.by(17), planned.Visit, visit.Start{}))
	w := c.by(17)
	w.Now = w.Now.Add(time.Hour)
	c.must(c.store.SignOff(ctx, w, planned.Visit, visit.Findings{Findings: "all clear"}))
	c.check(12, 12, 76) // c1 stands at the beginning of the period
	c.check(11, 11, 79) // c2 is withdrawn after it
	c.check(7, 7, 81)   // c3, within it, likewise
	c.check(9, 3, 85)   // c4 is of the period, and recorded too late to mend it
	c.check(18, 4, 65)  // c5 likewise, said to be of before
	for _, id := range []string{"heron-07.c2", "heron-07.c3"} {
		c.must(c.store.Withdraw(ctx, c.by(3), id, "wrong jar"))
	}
	c.must(c.store.ReportOutage(ctx, store.AllProperties, "heron-07", store.Outage{From: c.at(9), To: c.at(9).Add(5 * time.Hour), ReportedAt: c.at(4), ReportedBy: "R. Okafor"}))
	return c
}

// verdictOf takes the verdict out of a bundle.
func verdictOf(t *testing.T, bundle string) []byte {
	t.Helper()
	z, err := zip.NewReader(strings.NewReader(bundle), int64(len(bundle)))
	if err != nil {
		t.Fatal(err)
	}
	f, err := z.Open("verdict/verdict.json")
	if err != nil {
		t.Fatal(err)
	}
	text, err := io.ReadAll(f)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// TestSameVerdictFromServiceAndBundle: what was recorded before the period and
// after it, descriptions and checks that were withdrawn bear on a verdict from the
// store and on one from a bundle alike; and a check that was recorded when the
// seal delay of its day was over mends nothing.
func TestSameVerdictFromServiceAndBundle(t *testing.T) {
	t.Parallel()
	c := newClaim(t)
	want(t, c.run(exitOK, "seal"), "sealed ")
	key := c.file("key.txt", c.get("/v1/evidence/key"))
	token, err := c.store.CreateToken(t.Context(), store.NewToken{Name: "desk", Role: store.RoleWarranty, By: "test"})
	if err != nil {
		t.Fatal(err)
	}
	period := "?from=" + c.today.AddDays(-10).String() + "&to=" + c.today.AddDays(-5).String()
	live := []byte(c.ask(token, "/v1/properties/heron-07/conditions"+period))
	bundle := c.ask(token, "/v1/properties/heron-07/evidence"+period)
	out := c.run(exitOK, "verify", c.file("claim.zip", bundle), "--key", key)
	want(t, out, "days beside the period", "verdict: ")

	type part struct {
		Pieces, Points, Exclusions, Gaps, Excursions any
		Checks                                       []struct {
			ID         string
			CountsFrom *time.Time `json:"counts_from"`
		} `json:"sensor_checks"`
		Outages []struct{ ID string }
		Visits  []struct{ ID string }
	}
	var a, b part
	if err := json.Unmarshal(live, &a); err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(verdictOf(t, bundle), &b); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(a, b) {
		t.Errorf("from the store %+v\nfrom the bundle %+v", a, b)
	}
	if len(a.Checks) != 1 || a.Checks[0].ID != "heron-07.c1" || len(a.Outages) != 1 {
		t.Errorf("checks %+v, outages %+v", a.Checks, a.Outages)
	}
	want(t, string(live), `"offset_pct":0.5`) // c1 read 76 over 75.5
	var results struct {
		Pieces []struct {
			Results []struct {
				Term  string
				Worst float64 `json:"worst_case"`
			}
		}
	}
	if err := json.Unmarshal(live, &results); err != nil {
		t.Fatal(err)
	}
	seen := false
	for _, r := range results.Pieces[0].Results {
		// From the visit 17 days ago to the end of the period, and not from the
		// installation.
		if seen = seen || r.Term == "service-interval"; r.Term == "service-interval" && (r.Worst < 12 || r.Worst > 14) {
			t.Errorf("%g days without a visit", r.Worst)
		}
	}
	if !seen {
		t.Error("no word of the service interval")
	}
}
