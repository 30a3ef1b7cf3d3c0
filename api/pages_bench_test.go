package api

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/api/view"
	"underkeep/store"
	"underkeep/store/localpg/pgtest"
	"underkeep/store/site"
	"underkeep/store/visit"
)

// busyHouse is the one with a year of readings: eight points, eleven series.
const busyHouse = `property: busy-01
name: 1 Busy Lane
timezone: America/New_York
installed: %s
area: Area 3
space: {floor_area: 1040 ft2, height: 3 ft}
dehumidifier: {setpoint: 50 %%RH, capacity: 70 pint/day, drains_to: sump}
sump:
  basin_diameter: 18 in
  float_on: 12 in
  float_off: 6 in
  pump: {rated_flow: 3600 gph, at_head: 0 ft, shutoff_head: 22 ft}
  discharge: {pipe: pvc-sch40-1.5in, length: 35 ft, lift: 8 ft, elbows: 3, check_valve: true}
points:
  - {id: north-bay, measures: [rh, air-temp], every: 5m}
  - {id: south-bay, measures: [rh, air-temp], every: 5m}
  - {id: supply-duct, measures: [surface-temp], surface: duct, air: north-bay, every: 5m}
  - {id: sill, measures: [wood-moisture], air: north-bay, every: 1h}
  - {id: dehumidifier, measures: [dehumidifier-power], every: 5m}
  - {id: sump, measures: [pump-run, high-water]}
  - {id: gauge, measures: [rain], every: 15m}
  - {id: outdoors, measures: [rh, air-temp], outdoors: true, every: 15m}
warranty: {terms: standard-60}
`

// BenchmarkPages asks for every kind of page as its reader does: 10,000
// properties, one of them with a year of readings whose days are sealed and
// whose raw rows are kept for three months. p95-ms is server time, KB the page
// without its style and script, uncompressed. -short: a tenth of the fleet.
//
//	go test -run xxx -bench Pages -benchtime 40x ./api
func BenchmarkPages(b *testing.B) {
	st, source := busyFleet(b)
	h := New(Options{Source: source, Contact: "Dune Road Office, +1 555 0199"})
	for _, c := range []struct {
		role  store.Role
		pages []string
	}{
		{store.RoleManager, []string{"/today", "/today?area=Area+3", "/today?q=cottage-09", "/today?group=area", "/properties/cottage-00012", "/properties/busy-01", "/properties/busy-01?span=week",
			"/properties/busy-01?span=month", "/properties/busy-01?span=year", "/properties/busy-01?span=all", "/visits", "/visits/plan?property=busy-01",
			"/visits/busy-01.v1", "/visits/day-sheet?crew=North+crew", "/service", "/deliveries", "/preview",
			"/settings", "/settings/properties", "/settings/properties/busy-01", "/settings/properties/busy-01/limits", "/settings/properties/busy-01/limits/humidity-high",
			"/settings/gateways", "/settings/properties/busy-01/gateways", "/settings/people", "/settings/people/1", "/settings/tokens", "/settings/tokens/new", "/settings/terms",
			"/settings/properties/busy-01/terms", "/settings/routing", "/settings/audit", "/settings/quarantine", "/outages", "/properties/busy-01/outages", "/account"}},
		{store.RoleOwner, []string{"/home/busy-01"}},
		{store.RoleWarranty, []string{"/warranty", "/warranty?q=cottage-09", "/properties/busy-01/conditions"}},
	} {
		cookie := benchSession(b, st, source, c.role)
		for _, path := range c.pages {
			b.Run(string(c.role)+path, func(b *testing.B) { askFor(b, h, cookie, path) })
		}
	}
}

func benchSession(b *testing.B, st *store.Store, source view.Source, role store.Role) string {
	b.Helper()
	n := store.NewToken{Name: "bench", Role: role, By: "bench"}
	if role == store.RoleOwner {
		n.Properties = []string{"busy-01"}
	}
	token, err := st.CreateToken(b.Context(), n)
	if err != nil {
		b.Fatal(err)
	}
	secret, err := source.SignInByToken(b.Context(), token, view.Origin{Source: "192.0.2.7"})
	if err != nil {
		b.Fatal(err)
	}
	return "underkeep_session=" + secret
}

func askFor(b *testing.B, h http.Handler, cookie, path string) {
	var times []time.Duration
	bytes := 0
	for b.Loop() {
		r := httptest.NewRequest(http.MethodGet, "http://127.0.0.1:8080"+path, nil)
		r.Header.Set("Cookie", cookie)
		w := httptest.NewRecorder()
		start := time.Now()
		h.ServeHTTP(w, r)
		times = append(times, time.Since(start))
		if w.Code != http.StatusOK {
			b.Fatalf("%s: %d %s", path, w.Code, w.Header().Get("Location"))
		}
		bytes = w.Body.Len()
	}
	slices.Sort(times)
	at := func(share int) float64 { return float64(times[(len(times)-1)*share/100].Microseconds()) / 1000 }
	b.ReportMetric(at(50), "p50-ms")
	b.ReportMetric(at(95), "p95-ms")
	b.ReportMetric(float64(bytes)/1000, "KB")
	b.ReportMetric(0, "ns/op")
}

// busyFleet is a fleet of 10,000 houses with the busy one among them.
func busyFleet(b *testing.B) (*store.Store, view.Source) {
	b.Helper()
	url := pgtest.New(b, migrateTemplate)
	st, err := store.Open(b.Context(), url, store.Options{SealDelay: 72 * time.Hour})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(st.Close)
	files := 50
	if testing.Short() {
		files = 5
	}
	for batch := range files { // a file may not be larger
		var file strings.Builder
		for i := range 200 {
			n := batch*200 + i
			fmt.Fprintf(&file, "---\nproperty: cottage-%05d\nname: Cottage %d\ntimezone: America/New_York\ninstalled: 2024-03-02\narea: Area %d\npoints:\n%s", n, n, n%12, airAndSump)
		}
		if _, err := st.RegisterFile(b.Context(), []byte(file.String()), "fleet", "bench"); err != nil {
			b.Fatal(err)
		}
	}
	now := time.Now().UTC()
	if _, err := st.RegisterFile(b.Context(), fmt.Appendf(nil, busyHouse, site.DateOf(now.AddDate(-1, 0, 0))), "busy", "bench"); err != nil {
		b.Fatal(err)
	}
	populate(b, url)
	benchSQL(b, url, `DELETE FROM evaluation WHERE property_id = (SELECT property_id FROM property WHERE name = 'busy-01')`)
	if _, err := st.AddGateway(b.Context(), "busy-01", "gw1", "bench"); err != nil {
		b.Fatal(err)
	}
	yearOf(b, st, now)
	office(b, st, url)
	sealYear(b, st, now)
	benchSQL(b, url, `DELETE FROM due`, `DELETE FROM seal_due`, `VACUUM ANALYZE`)
	return st, FromStore(st, nil)
}

func benchSQL(b *testing.B, url string, statements ...string) {
	b.Helper()
	conn, err := pgx.Connect(b.Context(), url)
	if err != nil {
		b.Fatal(err)
	}
	defer conn.Close(context.Background())
	for _, s := range append([]string{`SET underkeep.properties = 'all'`}, statements...) {
		if _, err := conn.Exec(b.Context(), s); err != nil {
			b.Fatalf("%s: %v", s, err)
		}
	}
}

// yearOf gives the busy house a year of readings through the ordinary door.
func yearOf(b *testing.B, st *store.Store, now time.Time) {
	b.Helper()
	r := rand.New(rand.NewPCG(1, 2))
	began := time.Now()
	for day := now.AddDate(-1, 0, 1); day.Before(now); day = day.AddDate(0, 0, 1) {
		var readings []store.Reading
		add := func(point string, q site.Quantity, at time.Time, value float64) {
			if at.Before(now) {
				readings = append(readings, store.Reading{Point: point, Quantity: q, At: at, Value: math.Round(value*100) / 100})
			}
		}
		for i := range 288 {
			at := day.Add(time.Duration(i) * 5 * time.Minute)
			cycle, noise := math.Sin(float64(i)/288*2*math.Pi), r.NormFloat64()*0.05
			for k, bay := range []string{"north-bay", "south-bay"} {
				add(bay, site.RH, at, 53+2*cycle+float64(k)+noise)
				add(bay, site.AirTemp, at, 19-cycle+noise)
			}
			add("supply-duct", site.SurfaceTemp, at, 15-cycle+noise)
			add("dehumidifier", site.DehumidifierPower, at, 300*math.Max(0, cycle))
			if i%3 == 0 {
				add("outdoors", site.RH, at, 75+8*cycle+noise)
				add("outdoors", site.AirTemp, at, 20+6*cycle+noise)
				add("gauge", site.Rain, at, math.Max(0, noise*4-0.3))
			}
			if i%12 == 0 {
				add("sill", site.WoodMoisture, at, 12+noise)
			}
			if i%48 == 0 {
				add("sump", site.PumpRun, at.Add(time.Second), 20+noise)
			}
		}
		d := store.Delivery{Property: "busy-01", Gateway: "gw1", Received: day.AddDate(0, 0, 1), Readings: readings}
		if d.Received.After(now) {
			d.Received = now
		}
		if done, err := st.Record(b.Context(), []store.Delivery{d}); err != nil || done.Stored != len(readings) {
			b.Fatal(done, err)
		}
	}
	b.Logf("a year of readings stored in %s", time.Since(began).Round(time.Second))
}

// sealYear seals what is due, and drops raw rows beyond the usual window.
func sealYear(b *testing.B, st *store.Store, now time.Time) {
	b.Helper()
	keys, err := store.CreateKeyring(filepath.Join(b.TempDir(), "evidence"), "example.org/log")
	if err != nil {
		b.Fatal(err)
	}
	// Rows are dropped some time after the horizon was moved.
	for _, at := range []time.Time{now, now.Add(11 * time.Minute)} {
		done, err := st.Seal(b.Context(), store.SealOptions{Keys: keys, Delay: 72 * time.Hour, HotWindow: 90 * 24 * time.Hour, Workers: 2}, at)
		if err != nil {
			b.Fatal(err)
		}
		b.Logf("sealed %d days, dropped %d months of raw rows", done.Days, done.Dropped)
	}
}

// office gives people something to list: visits, messages, an audit log.
func office(b *testing.B, st *store.Store, url string) {
	b.Helper()
	source := FromStore(st, nil)
	everything := view.Scope{All: true}
	for i := range 60 {
		house := "busy-01"
		if i > 0 {
			house = fmt.Sprintf("cottage-%05d", i*12)
		}
		due := site.DateOf(time.Now().AddDate(0, 0, i%5-2))
		_, err := source.PlanVisit(b.Context(), everything, view.Writer{By: "bench", At: time.Now()}, visit.Plan{Property: house, Kind: visit.Repair, Reason: "wet wood", DueOn: &due, Crew: []string{"North crew", "South crew"}[i%2]})
		if err != nil {
			b.Fatal(err)
		}
	}
	for i := range 300 {
		if _, err := st.AddPerson(b.Context(), store.NewPerson{Name: fmt.Sprintf("Person %d", i), Email: fmt.Sprintf("person%d@example.org", i), Role: store.RoleOwner, Properties: []string{fmt.Sprintf("cottage-%05d", i)}, By: "bench"}); err != nil {
			b.Fatal(err)
		}
	}
	benchSQL(b, url,
		`INSERT INTO audit_entry (at, actor, action, object, outcome, source, detail) SELECT now() - n * interval '1 min', 'person 1', 'write', 'property ' || n, 'done', '192.0.2.7', '' FROM generate_series(1, 50000) n`,
		`INSERT INTO delivery (property_id, subject, purpose, channel, recipient, state, created_at, due_at, expires_at, done_at)
			SELECT 1 + n % 10000, 'alarm:' || n, 'alarm', 'mail', 'owner@example.org', 'sent', t, t, t + interval '1 day', t FROM generate_series(1, 50000) n, LATERAL (SELECT now() - n * interval '1 min' AS t) x`)
}
