package weather

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"net/http"
	"strings"
	"testing"
	"time"

	"underkeep/ingest"
	"underkeep/store"
	"underkeep/store/localpg/pgtest"
	"underkeep/store/site"
)

func migrate(ctx context.Context, url string) error {
	s, err := store.Open(ctx, url, store.Options{Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		return err
	}
	defer s.Close()
	return s.Migrate(ctx)
}

// house without a gauge, on wet ground.
const house = `property: heron-07
name: 7 Heron Lane
timezone: America/New_York
location: {lat: 34.21, lon: -77.87}
installed: 2024-03-02
sump: {basin_diameter: 18 in, float_on: 12 in, float_off: 6 in, high_water: 16 in, water_history: flooded}
points:
  - {id: north-bay, measures: [rh, air-temp], every: 5m}
  - {id: sump, measures: [pump-run, high-water]}
`

// rig is a service in the small: replayed weather, client, door, store.
type rig struct {
	t      *testing.T
	srv    *replayed
	store  *store.Store
	door   *ingest.Door
	poller *Poller
	now    time.Time
}

func newRig(t *testing.T, files ...string) *rig {
	t.Helper()
	r := &rig{t: t, srv: replay(t), now: time.Now().UTC().Truncate(time.Hour)}
	var err error
	if r.store, err = store.Open(t.Context(), pgtest.New(t, migrate), store.Options{Log: slog.New(slog.DiscardHandler)}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(r.store.Close)
	for _, f := range files {
		if _, err := r.store.RegisterFile(t.Context(), []byte(f), "test.yaml", "test"); err != nil {
			t.Fatal(err)
		}
	}
	if r.door, err = ingest.NewDoor(ingest.DoorConfig{Sites: ingest.StoreSites(r.store.Registry), Recorder: r.store, Log: slog.New(slog.DiscardHandler)}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = r.door.Close(context.Background()) })
	r.restart()
	return r
}

// restart forgets all that is not in the database.
func (r *rig) restart() {
	r.poller = NewPoller(PollerConfig{Client: client(r.t, r.srv.URL), Store: r.store, Door: r.door,
		Log: slog.New(slog.DiscardHandler), Now: func() time.Time { return r.now }})
}

func (r *rig) round() {
	r.t.Helper()
	if err := r.poller.Round(r.t.Context()); err != nil {
		r.t.Fatal(err)
	}
}

func (r *rig) rain(station string, ago int, mm float64) {
	r.srv.hourly(station, r.now.Add(-time.Duration(ago)*time.Hour).Add(-7*time.Minute), &mm)
}

func (r *rig) readings(q site.Quantity) (out []float64) {
	r.t.Helper()
	err := r.store.EachReading(r.t.Context(), store.ReadingQuery{Property: "heron-07", Point: store.StationPoint, Quantity: q, From: r.now.AddDate(0, 0, -30), To: r.now.Add(time.Hour)},
		func(s store.Sample) error { out = append(out, s.Value); return nil })
	if err != nil && !errors.Is(err, store.ErrNotFound) {
		r.t.Fatal(err)
	}
	return out
}

func (r *rig) status() store.WeatherStatus {
	r.t.Helper()
	w, err := r.store.WeatherStatus(r.t.Context(), store.AllProperties, "heron-07", r.now)
	if err != nil {
		r.t.Fatal(err)
	}
	return w
}

// From a replayed service to the reasons of an alarm: high water at a house without a
// gauge, after 90 mm of rain at its station.
func TestStationRainReachesTheEvaluator(t *testing.T) {
	t.Parallel()
	r := newRig(t, house)
	if _, err := r.store.AddGateway(t.Context(), "heron-07", "main", "test"); err != nil {
		t.Fatal(err)
	}
	for ago := 30; ago >= 0; ago-- {
		mm := 0.0
		if ago < 12 {
			mm = 7.5
		}
		r.rain("KXSB", ago, mm)
	}
	r.round()
	if got := r.readings(site.Rain); len(got) != 31 || math.Abs(total64(got)-90) > 1e-6 {
		t.Fatalf("%v", got)
	}
	if got := r.readings(site.RH); len(got) != 31 || got[0] != 88.25 {
		t.Errorf("%v", got)
	}
	d := store.Delivery{Property: "heron-07", Gateway: "main", Received: r.now}
	for at := r.now.Add(-30 * time.Hour); at.Before(r.now); at = at.Add(5 * time.Minute) {
		d.Readings = append(d.Readings, store.Reading{Point: "north-bay", Quantity: site.RH, At: at, Value: 50})
	}
	d.Readings = append(d.Readings, store.Reading{Point: "sump", Quantity: site.HighWater, At: r.now.Add(-10 * time.Minute), Value: 1})
	if _, err := r.store.Record(t.Context(), []store.Delivery{d}); err != nil {
		t.Fatal(err)
	}
	for range 20 {
		if out, err := r.store.EvaluateDue(t.Context(), r.now); err != nil || out.Failed > 0 {
			t.Fatalf("%+v, %v", out, err)
		} else if out.Properties == 0 {
			break
		}
	}
	alarms, _, err := r.store.Alarms(t.Context(), store.AlarmQuery{Scope: store.AllProperties, Now: r.now})
	if err != nil {
		t.Fatal(err)
	}
	var said string
	for _, a := range alarms {
		said += fmt.Sprint(a.Condition, a.Causes)
	}
	if !strings.Contains(said, "high-water") || !strings.Contains(said, "mm of rain") && !strings.Contains(said, "mm rain") || strings.Contains(said, "rain is not known") {
		t.Errorf("alarms: %s", said)
	}
	w := r.status()
	if len(w.Stations) != 1+1 || w.Stations[0].Station != "KXSB" || !w.Stations[0].Used || w.HasGauge || w.RainMM == nil || math.Abs(*w.RainMM-90) > 1e-6 {
		t.Fatalf("%+v", w)
	}
	if st := w.Stations[0]; math.Abs(st.DistanceM-DistanceM(34.21, -77.87, 34.27, -77.9)) > 1 || st.Gap > time.Hour || st.NewestRain.IsZero() || st.Failure != "" {
		t.Errorf("%+v", st)
	}
	// No gateway is heard through it, and it is in no list of gateways.
	detail, err := r.store.Property(t.Context(), store.AllProperties, "heron-07", r.now)
	if err != nil || len(detail.Gateways) != 1 || detail.Gateways[0].Name != "main" {
		t.Errorf("%+v, %v", detail.Gateways, err)
	}
}

func total64(v []float64) (sum float64) {
	for _, x := range v {
		sum += x
	}
	return sum
}

// A restart asks with what it kept, and an unchanged answer brings nothing twice.
func TestRestartKeepsTheCache(t *testing.T) {
	t.Parallel()
	r := newRig(t, house)
	r.rain("KXSB", 1, 2)
	r.rain("KXSB", 0, 3)
	r.round()
	bodies := r.srv.bodies
	r.restart()
	r.now = r.now.Add(2 * time.Hour)
	r.round()
	last := r.srv.requests[len(r.srv.requests)-1]
	if r.srv.bodies != bodies || last.Header.Get("If-None-Match") == "" {
		t.Errorf("%d answers with a body, were %d", r.srv.bodies, bodies)
	}
	if got := fmt.Sprint(r.readings(site.Rain)); got != "[2 3]" {
		t.Error(got)
	}
	r.rain("KXSB", 1, 4)
	r.now = r.now.Add(time.Hour)
	r.round()
	if got := fmt.Sprint(r.readings(site.Rain)); got != "[2 3 4]" {
		t.Error(got)
	}
}

// What the service later says otherwise is a conflicting duplicate: the first value
// stands, and quarantine has the other, once.
func TestACorrectionGoesToQuarantine(t *testing.T) {
	t.Parallel()
	r := newRig(t, house)
	r.rain("KXSB", 1, 2)
	r.rain("KXSB", 0, 3)
	r.round()
	r.srv.set(func() { r.srv.reports["KXSB"] = r.srv.reports["KXSB"][:1] })
	r.rain("KXSB", 0, 33)
	for range 3 {
		r.now = r.now.Add(30 * time.Minute)
		r.round()
	}
	if got := fmt.Sprint(r.readings(site.Rain)); got != "[2 3]" {
		t.Error(got)
	}
	list, err := r.store.Quarantine(t.Context(), store.QuarantineQuery{Scope: store.AllProperties})
	if err != nil || len(list) != 1 || list[0].Reason != store.ReasonConflict || list[0].Value == nil || *list[0].Value != 33 {
		t.Errorf("%+v, %v", list, err)
	}
}

// Without the service there is no rain from it, and the status says why; when it is
// back, what was missed is filled in.
func TestOutageIsToldAndFilledIn(t *testing.T) {
	t.Parallel()
	r := newRig(t, house)
	down := func(w http.ResponseWriter, _ *http.Request) bool {
		w.WriteHeader(http.StatusServiceUnavailable)
		return true
	}
	r.srv.set(func() { r.srv.fail = down })
	r.round()
	if w := r.status(); w.Looked || !strings.Contains(w.LookError, "503") {
		t.Errorf("%+v", w)
	}
	r.srv.set(func() { r.srv.fail = nil })
	r.now = r.now.Add(3 * time.Hour)
	r.rain("KXSB", 1, 1)
	r.rain("KXSB", 0, 2)
	r.round()
	r.srv.set(func() { r.srv.fail = down })
	r.now = r.now.Add(20 * time.Hour)
	r.round()
	w := r.status()
	if st := w.Stations[0]; !strings.Contains(st.Failure, "503") || st.FailedAt.IsZero() || st.Gap < 19*time.Hour || st.AnsweredAt.IsZero() {
		t.Errorf("%+v", st)
	}
	r.srv.set(func() { r.srv.fail = nil })
	for ago := 19; ago >= 0; ago-- {
		r.rain("KXSB", ago, 0.5)
	}
	r.now = r.now.Add(5 * time.Hour)
	r.round()
	if got := r.readings(site.Rain); len(got) != 22 || total64(got) != 13 {
		t.Errorf("%v", got)
	}
	if st := r.status().Stations[0]; st.Failure != "" {
		t.Errorf("%+v", st)
	}
}

func TestPatienceIsKept(t *testing.T) {
	t.Parallel()
	r := newRig(t, house)
	r.srv.set(func() {
		r.srv.fail = func(w http.ResponseWriter, _ *http.Request) bool {
			w.Header().Set("Retry-After", "7200")
			w.WriteHeader(http.StatusTooManyRequests)
			return true
		}
	})
	r.round()
	r.now = r.now.Add(119 * time.Minute)
	r.round()
	if n := len(r.srv.requests); n != 1 {
		t.Errorf("%d requests", n)
	}
}

// The station that the file names counts, though another is nearer; a house with a
// gauge keeps its gauge.
func TestNamedStation(t *testing.T) {
	t.Parallel()
	file := strings.Replace(house, "points:", "weather_station: KXSL\npoints:\n  - {id: gauge, measures: [rain]}", 1)
	r := newRig(t, file)
	r.rain("KXSL", 0, 6)
	r.rain("KXSB", 0, 1)
	r.round()
	if got := fmt.Sprint(r.readings(site.Rain)); got != "[6]" {
		t.Error(got)
	}
	w := r.status()
	if !w.HasGauge || len(w.Stations) != 2 || w.Stations[0].Used || !w.Stations[1].Used || !w.Stations[1].Named {
		t.Errorf("%+v", w)
	}
}

// A station that says nothing for a day, while the service answers, gives way to the
// next nearest.
func TestASilentStationGivesWay(t *testing.T) {
	t.Parallel()
	r := newRig(t, house)
	used := func() string {
		for _, s := range r.status().Stations {
			if s.Used {
				return s.Station
			}
		}
		return ""
	}
	r.round()
	if got := used(); got != "KXSB" {
		t.Fatal(got)
	}
	r.now = r.now.Add(26 * time.Hour)
	r.round()
	r.now = r.now.Add(time.Hour)
	r.rain("KXSL", 0, 6)
	r.round()
	r.now = r.now.Add(time.Hour)
	r.round()
	if got := used(); got != "KXSL" {
		t.Errorf("%s stands for the house", got)
	}
	if got := fmt.Sprint(r.readings(site.Rain)); got != "[6]" {
		t.Error(got)
	}
}

func TestForecastIsStored(t *testing.T) {
	t.Parallel()
	r := newRig(t, house)
	r.now = time.Now().UTC()
	hour := r.now.Truncate(time.Hour).Format("2006-01-02T15:04:05+00:00")
	r.srv.grid = strings.ReplaceAll(r.srv.grid, "2026-03-02T12:00:00+00:00", hour)
	r.round()
	in, err := r.store.OutlookInput(t.Context(), store.AllProperties, "heron-07", r.now)
	if err != nil || in.Forecast == nil || !strings.Contains(in.Forecast.Source, "XSB/85,62") {
		t.Fatalf("%+v, %v", in.Forecast, err)
	}
	if h := in.Forecast.Hours; len(h) == 0 || math.IsNaN(h[0].TempC) {
		t.Errorf("%+v", h)
	}
	old, err := r.store.OutlookInput(t.Context(), store.AllProperties, "heron-07", r.now.Add(25*time.Hour))
	if err != nil || old.Forecast != nil {
		t.Errorf("a forecast of yesterday is none: %+v, %v", old.Forecast, err)
	}
}
