package api

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"underkeep/api/view"
	"underkeep/api/viewtest"
	"underkeep/store/site"
)

func readAll(res *http.Response) string {
	body, _ := io.ReadAll(res.Body)
	return string(body)
}

type readingsGot struct {
	Unit     string
	Readings []struct {
		At    time.Time
		Value float64
	}
	Next string
}

const northRH = "/v1/properties/heron-07/readings?point=north-bay&quantity=rh"

func TestReadingsPagesSurviveInserts(t *testing.T) {
	t.Parallel()
	g := newRig(t)
	window := northRH + "&from=2026-07-14T00:00:00Z&to=2026-07-14T12:00:00Z"
	var whole, page readingsGot
	g.into(asManager(window), &whole)
	series := viewtest.Series{Property: "heron-07", Point: "north-bay", Quantity: site.RH}
	seen := map[time.Time]int{}
	path := window + "&limit=50"
	for n := 0; ; n++ {
		page = readingsGot{}
		g.into(asManager(path), &page)
		for _, r := range page.Readings {
			seen[r.At]++
		}
		if page.Next == "" {
			break
		}
		// Late data before and after the position of the page.
		early := time.Date(2026, 7, 14, 0, 0, n+1, 0, time.UTC)
		g.fleet.AddReading(series, view.Reading{At: early, Value: 1})
		path = window + "&limit=50&cursor=" + page.Next
	}
	for _, r := range whole.Readings {
		if seen[r.At] != 1 {
			t.Errorf("reading at %s was told %d times", r.At, seen[r.At])
		}
	}
}

func TestReadingsDefaultToADayAndConvert(t *testing.T) {
	t.Parallel()
	g := newRig(t)
	temp := strings.Replace(northRH, "=rh", "=air-temp", 1)
	var si, us readingsGot
	g.into(asManager(temp), &si)
	g.into(asManager(temp+"&units=us"), &us)
	if len(si.Readings) != 288 { // 24 h of 5 min; "from" is inside, "to" is not
		t.Fatalf("%d readings in a day", len(si.Readings))
	}
	if si.Unit != "Cel" || us.Unit != "F" {
		t.Errorf("units %q and %q", si.Unit, us.Unit)
	}
	// SI Brochure, 9th edition, table 8 note on Fahrenheit: t/°F = 9/5 t/°C + 32.
	if c, f := si.Readings[0].Value, us.Readings[0].Value; abs(f-(c*1.8+32)) > 1e-9 {
		t.Errorf("%g °C became %g °F", c, f)
	}
}

func abs(x float64) float64 { return max(x, -x) }

func TestReadingsAsCSVStreamWholePeriod(t *testing.T) {
	t.Parallel()
	g := newRig(t)
	q := asManager(northRH + "&from=2026-06-01T00:00:00Z")
	q.header = map[string]string{"Accept": "text/csv"}
	res := g.status(q, http.StatusOK)
	rows, err := csv.NewReader(res.Body).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	stored := g.fleet.Values[viewtest.Series{Property: "heron-07", Point: "north-bay", Quantity: site.RH}]
	// More than one run (of three in the fleet of the tests), or the test would not
	// see a seam between them.
	if len(stored) <= 3 {
		t.Fatalf("only %d readings", len(stored))
	}
	if len(rows) != len(stored) { // one header, and the reading at Now is outside
		t.Fatalf("%d rows for %d readings", len(rows), len(stored))
	}
	for i, row := range rows[1:] {
		if want := stored[i].At.Format(time.RFC3339Nano); row[0] != want || row[1] != fmt.Sprint(stored[i].Value) {
			t.Fatalf("row %d is %q, want %s %g", i, row, want, stored[i].Value)
		}
	}
}

func TestReadingsAsNDJSON(t *testing.T) {
	t.Parallel()
	g := newRig(t)
	q := asManager(northRH + "&from=2026-06-01T00:00:00Z&units=us")
	q.header = map[string]string{"Accept": "application/x-ndjson"}
	res := g.status(q, http.StatusOK)
	stored := g.fleet.Values[viewtest.Series{Property: "heron-07", Point: "north-bay", Quantity: site.RH}]
	lines := json.NewDecoder(res.Body)
	n := 0
	for ; lines.More(); n++ {
		var row struct {
			At    time.Time
			Value float64
		}
		if err := lines.Decode(&row); err != nil || !row.At.Equal(stored[n].At) || row.Value != stored[n].Value {
			t.Fatalf("line %d: %+v, %v; want %+v", n, row, err, stored[n])
		}
	}
	if n != len(stored)-1 {
		t.Errorf("%d lines for %d readings", n, len(stored))
	}
	q.path = strings.Replace(q.path, "north-bay", "no-such", 1)
	g.status(q, http.StatusNotFound)
}

// Times are written as the standard library does, whatever the time.
func TestExportedTimes(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		e := newExport(io.Discard, "text/csv", site.RH, site.SI)
		for range 3 {
			us := rapid.Int64Range(-1e15, 4e15).Draw(t, "µs")
			us -= us % rapid.SampledFrom([]int64{1, 1000, 1e6, 60e6}).Draw(t, "grain")
			if got, want := string(e.appendTime(nil, us)), time.UnixMicro(us).UTC().Format(time.RFC3339Nano); got != want {
				t.Fatalf("%s, want %s", got, want)
			}
		}
	})
}

// A series by the hour and by the day is the fleet's readings summed up; a Celsius
// mean is shown in Fahrenheit.
func TestSeries(t *testing.T) {
	t.Parallel()
	g := newRig(t)
	var got struct {
		Unit   string
		Series []struct {
			At              time.Time
			Low, Mean, High float64
			Count           int
		}
	}
	path := strings.Replace(northRH, "/readings?", "/series?", 1)
	g.into(asManager(path+"&from=2026-07-14T00:00:00Z&step=1h"), &got)
	stored := g.fleet.Values[viewtest.Series{Property: "heron-07", Point: "north-bay", Quantity: site.RH}]
	want := map[time.Time]int{}
	for _, r := range stored {
		if !r.At.Before(time.Date(2026, 7, 14, 0, 0, 0, 0, time.UTC)) && r.At.Before(viewtest.Now) {
			want[r.At.Truncate(time.Hour)]++
		}
	}
	if len(got.Series) == 0 || len(got.Series) != len(want) {
		t.Fatalf("%d hours, want %d", len(got.Series), len(want))
	}
	for _, b := range got.Series {
		if b.Count != want[b.At] || b.Low > b.Mean || b.Mean > b.High {
			t.Errorf("%+v, want %d readings", b, want[b.At])
		}
	}
	for _, wrong := range []string{"&step=5m", "&from=2020-01-01T00:00:00Z&step=1h", "&from=2026-07-15T00:00:00Z&to=2026-07-14T00:00:00Z"} {
		g.status(asManager(path+wrong), http.StatusBadRequest)
	}
	g.status(asManager(strings.Replace(path, "north-bay", "no-such", 1)), http.StatusNotFound)
}

func TestAcceptChoosesTheFormat(t *testing.T) {
	t.Parallel()
	g := newRig(t)
	for accept, want := range map[string]string{
		"": "application/json", "*/*": "application/json", "text/csv": "text/csv",
		"application/json, text/csv;q=0.5": "application/json", "text/csv, application/json;q=0.9": "text/csv",
		"application/x-ndjson": ndjson,
		"text/csv;q=0":         "application/json", "TEXT/CSV": "text/csv",
	} {
		q := asManager(northRH)
		q.header = map[string]string{"Accept": accept}
		if got := g.status(q, http.StatusOK).Header.Get("Content-Type"); !strings.HasPrefix(got, want) {
			t.Errorf("Accept %q: %s, want %s", accept, got, want)
		}
	}
}

func TestPropertiesPage(t *testing.T) {
	t.Parallel()
	g := newRig(t)
	var seen []string
	path := "/v1/properties?limit=3"
	for path != "" {
		var page struct {
			Properties []struct{ Property string }
			Next       string
		}
		g.into(asManager(path), &page)
		for _, p := range page.Properties {
			seen = append(seen, p.Property)
		}
		path = ""
		if page.Next != "" {
			path = "/v1/properties?limit=3&cursor=" + page.Next
		}
	}
	if len(seen) != len(g.fleet.Props) {
		t.Errorf("pages tell %q", seen)
	}
}

func TestBadParametersAreNamed(t *testing.T) {
	t.Parallel()
	g := newRig(t)
	for path, names := range map[string]string{
		"/v1/properties?limit=0":                                             "limit",
		"/v1/properties?limit=501":                                           "limit",
		"/v1/properties?page=2":                                              `"page"`,
		"/v1/properties?q=" + strings.Repeat("x", 81):                        "q",
		"/v1/properties?q=a&q=b":                                             `"q"`,
		"/v1/properties?q=%zz":                                               "query",
		"/v1/alarms?state=bad":                                               "state",
		"/v1/alarms?property=No":                                             "property",
		"/v1/alarms?cursor=!!":                                               "cursor",
		"/v1/alarms?cursor=bm9wZQ":                                           "cursor",
		"/v1/quarantine?all=yes":                                             "all",
		northRH + "&from=yesterday":                                          "from",
		northRH + "&from=2026-07-14T00:00:00":                                "from",
		northRH + "&units=metric":                                            "units",
		northRH + "&cursor=bm9wZQ":                                           "cursor",
		northRH + "&from=2026-07-14T00:00:00Z&to=2026-07-13T00:00:00Z":       "from",
		"/v1/properties/heron-07/readings?quantity=rh":                       "point",
		"/v1/properties/heron-07/readings?point=north-bay&quantity=humidity": "quantity",
	} {
		if body := readAll(g.status(asManager(path), http.StatusBadRequest)); !strings.Contains(body, strings.Trim(names, `"`)) {
			t.Errorf("%s: does not say what is wrong: %s", path, body)
		}
	}
	g.status(asManager("/v1/properties/heron-07/readings?point=nort-bay&quantity=rh"), http.StatusNotFound)
	outside := g.outside(asManager("/v1/nowhere"))
	if outside.StatusCode != http.StatusNotFound || outside.Header.Get("Content-Type") != "application/problem+json" {
		t.Errorf("unknown path: %d %s", outside.StatusCode, outside.Header.Get("Content-Type"))
	}
	outside = g.outside(request{method: "DELETE", path: "/v1/properties", token: viewtest.ManagerToken})
	if outside.StatusCode != http.StatusMethodNotAllowed {
		t.Errorf("unknown method: %d", outside.StatusCode)
	}
}

func TestRegister(t *testing.T) {
	t.Parallel()
	g := newRig(t)
	file := func(body string) request {
		return request{method: "POST", path: "/v1/properties", token: viewtest.ManagerToken, body: body, header: map[string]string{"Content-Type": "application/yaml"}}
	}
	res := g.status(file("property: avocet-09\nname: 9 Avocet Rise"), http.StatusCreated)
	if res.Header.Get("Location") != "/v1/properties/avocet-09" {
		t.Errorf("Location %q", res.Header.Get("Location"))
	}
	g.status(file("property: avocet-09\nname: Avocet"), http.StatusOK)
	g.status(asManager("/v1/properties/avocet-09"), http.StatusOK)
	var p problem
	refused := g.status(file("property: avocet-10\nnmae: x"), http.StatusUnprocessableEntity)
	if err := json.NewDecoder(refused.Body).Decode(&p); err != nil || len(p.Errors) != 1 || p.Errors[0].Line != 2 || p.Errors[0].Field != "nmae" {
		t.Errorf("%v %+v", err, p)
	}
	g.status(file(strings.Repeat("#", maxFile+1)), http.StatusRequestEntityTooLarge)
	g.status(file(""), http.StatusBadRequest)
	json := file("{}")
	json.header = map[string]string{"Content-Type": "application/json"}
	g.status(json, http.StatusBadRequest)
}

func TestAnswers(t *testing.T) {
	t.Parallel()
	g := newRig(t)
	post := func(action, body string) request {
		return request{method: "POST", path: "/v1/alarms/106/" + action, token: viewtest.ManagerToken, body: body}
	}
	var a struct {
		State          string
		AcknowledgedBy string `json:"acknowledged_by"`
	}
	for range 2 { // the second one changes nothing
		g.into(post("acknowledge", `{"note":"seen"}`), &a)
		if a.State != "acknowledged" || a.AcknowledgedBy != "Dana Brook" {
			t.Errorf("%+v", a)
		}
	}
	g.into(post("shelve", `{"until":"2026-07-20T12:00:00Z","note":"part ordered"}`), &a)
	g.into(post("unshelve", ""), &a)
	g.status(post("out-of-service", `{}`), http.StatusBadRequest)
	g.into(post("out-of-service", `{"note":"away for repair"}`), &a)
	g.into(post("return-to-service", ""), &a)
	var j struct {
		Entries []struct{ Kind, By, Note string }
	}
	g.into(asManager("/v1/alarms/106/journal"), &j)
	if len(j.Entries) != 6 || j.Entries[1].Kind != "acknowledge" || j.Entries[1].Note != "seen" {
		t.Errorf("journal %+v", j.Entries)
	}
	for body, names := range map[string]string{
		`{"until":"2026-07-14T11:00:00Z","note":"x"}`: "until", `{"until":"2026-09-14T11:00:00Z","note":"x"}`: "until",
		`{"until":"2026-07-15T11:00:00Z","note":" "}`: "note", `{"until":"soon","note":"x"}`: "body", `{`: "body", `{}{}`: "body",
		`{"note":"x","until":"2026-07-15T11:00:00Z","who":"me"}`: "body", "": "note",
	} {
		if got := readAll(g.status(post("shelve", body), http.StatusBadRequest)); !strings.Contains(got, names) {
			t.Errorf("%s: %s", body, got)
		}
	}
	g.status(post("acknowledge", `{"note":"`+strings.Repeat("x", maxBody)+`"}`), http.StatusRequestEntityTooLarge)
}

func TestNobodyAcknowledgesWhatNobodyWasToldOf(t *testing.T) {
	t.Parallel()
	newRig(t).status(request{method: "POST", path: "/v1/alarms/105/acknowledge", token: viewtest.ManagerToken}, http.StatusConflict)
}

func TestAlarmsOfTheContract(t *testing.T) {
	t.Parallel()
	g := newRig(t)
	var got struct{ Alarms []map[string]any }
	g.into(asManager("/v1/alarms?property=heron-07&state=suppressed-by-design&state=unacknowledged"), &got)
	if len(got.Alarms) != 3 {
		t.Fatalf("%d alarms", len(got.Alarms))
	}
	suppressed := got.Alarms[2]
	if suppressed["suppressed_by"] != "humidity-high" || suppressed["call_out"] != nil || suppressed["cleared_at"] != nil {
		t.Errorf("%v", suppressed)
	}
}

func TestQuarantine(t *testing.T) {
	t.Parallel()
	g := newRig(t)
	var got struct {
		Quarantine []struct{ ID string }
	}
	g.into(asManager("/v1/quarantine"), &got)
	if len(got.Quarantine) != 1 {
		t.Errorf("%+v", got)
	}
	var item struct{ Payload []byte }
	g.into(asManager("/v1/quarantine/2"), &item)
	if !strings.Contains(string(item.Payload), "air-temp") {
		t.Errorf("payload %s", item.Payload)
	}
	g.into(asManager("/v1/quarantine?all=true"), &got)
	if len(got.Quarantine) != 2 {
		t.Errorf("%+v", got)
	}
	replay := request{method: "POST", path: "/v1/quarantine/2/replay", token: viewtest.ManagerToken}
	g.status(replay, http.StatusOK)
	g.status(replay, http.StatusConflict)
}

func TestReadyTellsTheTruth(t *testing.T) {
	t.Parallel()
	var ingest error
	g := newRig(t, func(o *Options) { o.Ingest = func(context.Context) error { return ingest } })
	ask := request{path: "/readyz"}
	g.status(ask, http.StatusOK)
	for name, change := range map[string]func(bad bool){
		"database":   func(bad bool) { g.fleet.Down = only(bad, viewtest.ErrDown) },
		"migrations": func(bad bool) { g.fleet.Pending = map[bool]int{true: 2}[bad] },
		"evaluation": func(bad bool) { g.fleet.Lag = map[bool]time.Duration{true: time.Hour}[bad] },
		"ingest":     func(bad bool) { ingest = only(bad, viewtest.ErrDown) },
	} {
		change(true)
		var got readiness
		body := readAll(g.status(ask, http.StatusServiceUnavailable))
		if err := json.Unmarshal([]byte(body), &got); err != nil || got.Ready || failed(got, name) == "" {
			t.Errorf("%s: %s", name, body)
		}
		if strings.Contains(body, "db.internal") {
			t.Errorf("%s: tells where the database is", name)
		}
		g.status(request{path: "/healthz"}, http.StatusOK)
		change(false)
	}
	g.status(ask, http.StatusOK)
}

func only(bad bool, err error) error {
	if bad {
		return err
	}
	return nil
}

func failed(r readiness, name string) string {
	for _, c := range r.Checks {
		if c.Name == name && !c.OK {
			return c.Detail
		}
	}
	return ""
}

func TestMetrics(t *testing.T) {
	t.Parallel()
	g := newRig(t)
	g.fleet.Lag = 1500 * time.Millisecond
	body := readAll(g.status(request{path: "/metrics"}, http.StatusOK))
	for _, want := range []string{
		`underkeep_alarms{state="unacknowledged"} 5`, `underkeep_alarms{state="out-of-service"} 0`,
		"underkeep_evaluation_lag_seconds 1.5", "underkeep_database_up 1",
	} {
		if !strings.Contains(body, want) {
			t.Errorf("no %q in\n%s", want, body)
		}
	}
	g.fleet.Down = viewtest.ErrDown
	if body := readAll(g.status(request{path: "/metrics"}, http.StatusOK)); !strings.Contains(body, "underkeep_database_up 0") {
		t.Error(body)
	}
}

func TestConditionalGet(t *testing.T) {
	t.Parallel()
	g := newRig(t)
	for _, path := range []string{"/v1/properties", "/v1/properties/heron-07", northRH, "/v1/alarms", "/v1/alarms/106", "/v1/properties/heron-07/limits"} {
		q := asManager(path)
		tag := g.status(q, http.StatusOK).Header.Get("ETag")
		q.header = map[string]string{"If-None-Match": `"other", W/` + tag}
		g.status(q, http.StatusNotModified)
	}
	g.status(request{method: "POST", path: "/v1/alarms/106/acknowledge", token: viewtest.ManagerToken}, http.StatusOK)
	q := asManager("/v1/alarms/106")
	q.header = map[string]string{"If-None-Match": `"stale"`}
	g.status(q, http.StatusOK)
}

func TestSecurityHeadersEverywhere(t *testing.T) {
	t.Parallel()
	g := newRig(t)
	for _, path := range []string{"/v1/properties", "/v1/nowhere", "/healthz", "/metrics"} {
		h := g.outside(request{path: path}).Header
		if !strings.Contains(h.Get("Content-Security-Policy"), "default-src 'none'") || h.Get("X-Content-Type-Options") != "nosniff" {
			t.Errorf("%s: %v", path, h)
		}
	}
}

func TestPanicIsAProblem(t *testing.T) {
	t.Parallel()
	g := newRig(t, func(o *Options) { o.Ingest = func(context.Context) error { panic("boom") } })
	g.status(request{path: "/readyz"}, http.StatusInternalServerError)
}
