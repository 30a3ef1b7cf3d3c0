package api

import (
	"math"
	"net/http"
	"strings"
	"testing"
	"time"

	"underkeep/alerting/outlook"
	"underkeep/api/viewtest"
	"underkeep/store"
	"underkeep/store/site"
)

// withSump gives heron-07 a straight basin: π/4·0.45²·0.15 = 23.856 L between
// the floats, 6.302 gal (3.785411784 L each).
func withSump(o *Options) {
	o.Source.(*viewtest.Fleet).Props[3].Sump = &site.Sump{BasinDiameterM: 0.45, FloatOffM: 0.15, FloatOnM: 0.30, HighWaterM: 0.40}
}

func TestOutlook(t *testing.T) {
	t.Parallel()
	g := newRig(t, withSump)
	var si, us outlookOut
	g.into(asManager("/v1/properties/heron-07/outlook"), &si)
	g.into(asManager("/v1/properties/heron-07/outlook?units=us"), &us)
	if len(si.Trends) != 5 || *si.At != "2026-07-14T12:00:00Z" || !strings.Contains(si.Note, "no alarm") {
		t.Fatalf("%+v", si)
	}
	humid := si.Trends[0]
	if humid.Condition != "humidity-high" || humid.Point != "north-bay" || humid.Verdict != "beyond" || humid.Unit != "%RH" ||
		humid.Limit != 60 || humid.Hours != nil || humid.FromVapour == nil {
		t.Errorf("%+v", humid)
	}
	freeze := us.Trends[1]
	if freeze.Condition != "freeze-risk" || freeze.Unit != "F" || math.Abs(freeze.Limit-39.2) > 1e-9 || freeze.Direction != "falling-below" ||
		math.Abs(*freeze.PerDay.Value-*si.Trends[1].PerDay.Value*1.8) > 1e-9 {
		t.Errorf("%+v", freeze)
	}
	if !si.Pump.Known || math.Abs(*si.Pump.Storage-23.856) > 1e-3 || math.Abs(*us.Pump.Storage-6.302) > 1e-3 || us.Pump.FlowUnit != "gpm" ||
		si.Pump.Measured == nil || si.Pump.AsBuilt != nil || si.Pump.From != "measured" || !si.Pump.RainKnown {
		t.Errorf("%+v", si.Pump)
	}
	c := si.Condensation
	if c.Forecast != nil || c.Reason == "" || len(c.Surfaces) != 1 || len(c.Surfaces[0].Nights) != 3 || c.Surfaces[0].Margin == nil ||
		math.Abs(us.Condensation.Surfaces[0].Limit-3.6) > 1e-9 {
		t.Errorf("%+v", c)
	}
	if body := readAll(g.status(asManager("/v1/properties/heron-07/outlook?unit=us"), http.StatusBadRequest)); !strings.Contains(body, "not known here") {
		t.Error(body)
	}
}

// A property that has never said anything has an outlook of reasons.
func TestOutlookOfSilence(t *testing.T) {
	t.Parallel()
	var got outlookOut
	newRig(t).into(asManager("/v1/properties/osprey-11/outlook"), &got)
	if len(got.Trends) != 2 || got.Trends[0].Verdict != "too-little" || got.Trends[0].Reason == "" || got.Trends[0].Value != nil ||
		got.Pump.Known || got.Pump.Reason == "" || len(got.Condensation.Surfaces) != 0 {
		t.Errorf("%+v", got)
	}
}

// What nothing bounds is null, which JSON has, and not infinity, which it has not.
func TestOutlookWithoutBounds(t *testing.T) {
	t.Parallel()
	inf := math.Inf(1)
	p := outlook.Pump{Known: true, CapacityLps: 1, Now: &outlook.Inflow{Lps: outlook.Range{Value: 2, Low: 2, High: inf}},
		MarginNow: &outlook.Range{Value: -1, Low: -inf, High: -1}, HoldsNowHours: &outlook.Range{Value: 1, Low: 0, High: 1}}
	out := showPump(p, site.US)
	if out.Now == nil || out.Now.Inflow.High != nil || out.Now.Margin.Low != nil || math.Abs(*out.Now.Inflow.Value-31.7) > 0.01 { // 2 L/s, 15.85 gpm each
		t.Errorf("%+v", out.Now)
	}
}

// Over a real database: RH that climbs by 0.25 %RH an hour for eight days has
// 8 h left at 58.
func TestOutlookFromTheDatabase(t *testing.T) {
	t.Parallel()
	g := newRealRig(t)
	manager := g.token(store.RoleManager)
	g.register("ibis-05", manager)
	climb(g, 192)
	var got outlookOut
	g.into(request{path: "/v1/properties/ibis-05/outlook", token: manager}, &got)
	if len(got.Trends) != 2 || got.Trends[0].Verdict != string(outlook.Crosses) || math.Abs(*got.Trends[0].Hours.Value-8) > 0.5 {
		t.Errorf("%+v", got.Trends)
	}
}

func climb(g *realRig, hours int) {
	g.t.Helper()
	var readings []store.Reading
	for quarter := 4 * hours; quarter >= 0; quarter-- {
		back := time.Duration(quarter) * 15 * time.Minute
		readings = append(readings, store.Reading{Point: "mid-bay", Quantity: site.RH, At: g.now.Add(-back), Value: 58 - back.Hours()/4})
	}
	g.record("ibis-05", readings...)
}
