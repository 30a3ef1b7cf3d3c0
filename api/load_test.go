package api

import (
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"underkeep/alerting"
	"underkeep/api/view"
	"underkeep/api/viewtest"
	"underkeep/store/site"
)

// stormy is the fixed fleet with n more alarms within one interval of ten
// minutes, all of one pump.
func stormy(n int) func(*Options) {
	return func(o *Options) {
		f := o.Source.(*viewtest.Fleet)
		f.AllAlarms = nil
		at := viewtest.Now.Add(-2 * time.Hour)
		for i := range n {
			a := view.Alarm{ID: fmt.Sprint(900 + i), State: view.Acknowledged, Alarm: alerting.Alarm{Property: "heron-07",
				Condition: site.PumpShortCycling, Priority: alerting.Medium, KnownAt: at.Add(time.Duration(i) * 10 * time.Second)}}
			f.AllAlarms = append(f.AllAlarms, a)
		}
	}
}

// Source: ISA-18.2, 11 alarms in 600 s are a flood; the priorities are of all.
func TestAlarmLoad(t *testing.T) {
	t.Parallel()
	g := newRig(t, stormy(11))
	var got loadOut
	g.into(asManager("/v1/alarm-load?from=2026-07-14T00:00:00Z&to=2026-07-15T00:00:00Z"), &got)
	if got.Alarms != 11 || len(got.Floods) != 1 || got.Rate.Above != 1 || got.Rate.Intervals != 144 || got.Enough || got.TopTenShare != 1 ||
		len(got.Chattering) != 1 || got.Chattering[0].Point != nil || got.Priorities[1].Share != 1 || !strings.Contains(got.Note, "no conformity") {
		t.Errorf("%+v", got)
	}
	g.into(asManager("/v1/alarm-load?operators=2"), &got)
	if len(got.Floods) != 0 || got.Operators != 2 || !got.Enough || *got.From != "2026-06-14T12:00:00Z" {
		t.Errorf("%+v", got)
	}
	for query, want := range map[string]string{
		"operators=0": "operators", "operators=x": "operators", "from=2026-07-14T00:00:00Z&to=2026-07-14T00:00:00Z": "from is not before to",
		"from=2020-01-01T00:00:00Z": "400 days", "from=yesterday": "RFC 3339", "until=2026-07-14T00:00:00Z": "not known here",
	} {
		if body := readAll(g.status(asManager("/v1/alarm-load?"+query), http.StatusBadRequest)); !strings.Contains(body, want) {
			t.Errorf("%s: %s", query, body)
		}
	}
}

func TestAlarmLoadMetricsAreKeptForAMinute(t *testing.T) {
	t.Parallel()
	now := viewtest.Now
	g := newRig(t, stormy(11), func(o *Options) { o.Now = func() time.Time { return now } })
	scrape := func() string { return readAll(g.status(request{path: "/metrics"}, http.StatusOK)) }
	has := func(want bool, lines ...string) {
		t.Helper()
		body := scrape()
		for _, l := range lines {
			if strings.Contains(body, l+"\n") != want {
				t.Errorf("%q in the metrics: want %v\n%s", l, want, body)
			}
		}
	}
	has(true, "underkeep_alarm_load_floods 1", "underkeep_alarm_load_most_per_10_min 11", `underkeep_alarm_load_alarms{priority="medium"} 11`,
		"underkeep_alarm_load_chattering 1", "underkeep_alarm_load_top_ten_ratio 1", "underkeep_alarm_load_stale 0")
	stormy(3)(&g.server.Options)
	now = now.Add(loadKept - time.Second)
	has(true, "underkeep_alarm_load_floods 1")
	now = now.Add(time.Second)
	has(true, "underkeep_alarm_load_floods 0", `underkeep_alarm_load_alarms{priority="medium"} 3`)
	g.fleet.Down = viewtest.ErrDown
	now = now.Add(loadKept)
	has(false, "underkeep_alarm_load_floods 0")
}
