package api

import (
	"bufio"
	"context"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"underkeep/api/view"
	"underkeep/api/viewtest"
	"underkeep/store/site"
)

// listener reads server-sent events of a property as a program would.
type listener struct {
	t     *testing.T
	lines *bufio.Scanner
}

func listen(t *testing.T, g *rig, path string) *listener {
	t.Helper()
	server := httptest.NewServer(g.router)
	t.Cleanup(server.Close)
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	t.Cleanup(cancel)
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, server.URL+path, nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+viewtest.ManagerToken)
	res, err := server.Client().Do(r)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = res.Body.Close() })
	if kind := res.Header.Get("Content-Type"); kind != "text/event-stream" {
		t.Fatalf("%d %s", res.StatusCode, kind)
	}
	lines := bufio.NewScanner(res.Body)
	lines.Buffer(nil, 1<<20)
	return &listener{t, lines}
}

// next event with its data decoded into out.
func (l *listener) next(want string, out any) {
	l.t.Helper()
	name := ""
	for l.lines.Scan() {
		if text, ok := strings.CutPrefix(l.lines.Text(), "event: "); ok {
			name = text
		}
		if text, ok := strings.CutPrefix(l.lines.Text(), "data: "); ok {
			if name != want {
				l.t.Fatalf("event %s, want %s", name, want)
			}
			if err := json.Unmarshal([]byte(text), out); err != nil {
				l.t.Fatal(err)
			}
			return
		}
	}
	l.t.Fatalf("the stream ended before %s: %v", want, l.lines.Err())
}

func TestLiveTellsWhatChangesAndNothingTwice(t *testing.T) {
	t.Parallel()
	g := newRig(t)
	l := listen(t, g, "/v1/properties/heron-07/live?units=us")
	var readings struct{ Readings []liveReading }
	var alarms struct{ Alarms []alarmOut }
	l.next("readings", &readings)
	l.next("alarms", &alarms)
	if len(readings.Readings) < 5 || len(alarms.Alarms) == 0 {
		t.Fatalf("the first events lack something: %d readings, %d alarms", len(readings.Readings), len(alarms.Alarms))
	}

	g.fleet.AddReading(viewtest.Series{Property: "heron-07", Point: "north-bay", Quantity: site.AirTemp}, view.Reading{At: viewtest.Now, Value: 20})
	readings.Readings = nil
	l.next("readings", &readings)
	if r := readings.Readings; len(r) != 1 || r[0].Point != "north-bay" || r[0].Value != 68 || r[0].Unit != "F" {
		t.Errorf("one reading of 20 °C came, told as %+v", r)
	}

	if _, err := g.fleet.Answer(t.Context(), view.Scope{All: true}, "106", view.Answer{Kind: view.ToAcknowledge, By: "Dana Brook", At: viewtest.Now}); err != nil {
		t.Fatal(err)
	}
	alarms.Alarms = nil
	l.next("alarms", &alarms)
	found := false
	for _, a := range alarms.Alarms {
		found = found || a.ID == "106" && a.State == "acknowledged"
	}
	if !found {
		t.Errorf("the acknowledged alarm is not told: %+v", alarms.Alarms)
	}
}

func TestLiveStreamsAreBounded(t *testing.T) {
	t.Parallel()
	g := newRig(t)
	for range liveStreams {
		s, err := g.server.live.Watch("heron-07")
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
	}
	res := g.status(request{path: "/v1/properties/heron-07/live", token: viewtest.ManagerToken}, http.StatusServiceUnavailable)
	if res.Header.Get("Retry-After") == "" {
		t.Error("no word when to come back")
	}
}

// TestNobodyWatchingCostsNothing holds that the looking ends with the last stream.
func TestNobodyWatchingCostsNothing(t *testing.T) {
	t.Parallel()
	g := newRig(t)
	a, err := g.server.live.Watch("heron-07")
	if err != nil {
		t.Fatal(err)
	}
	<-a.Wake()
	a.Close()
	a.Close() // twice does no harm
	if n := g.server.live.Streams(); n != 0 {
		t.Errorf("%d streams", n)
	}
	b, err := g.server.live.Watch("heron-07")
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	<-b.Wake() // a new look was taken
	if u := b.Update(); len(u.Readings) == 0 || !u.AlarmsChanged {
		t.Errorf("the first update lacks something: %+v", u)
	}
}
