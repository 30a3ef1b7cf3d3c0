package api

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/api/view"
	"underkeep/store"
	"underkeep/store/site"
)

// wide tells the application's checks that everybody has every property. Only the
// database is left to hold the principal's bounds: each check of the application
// is missing at once.
type wide struct{ view.Source }

func (w wide) Authenticate(ctx context.Context, token string) (view.Principal, error) {
	p, err := w.Source.Authenticate(ctx, token)
	return widened(p), err
}

func (w wide) CheckSession(ctx context.Context, secret string) (view.Principal, error) {
	p, err := w.Source.CheckSession(ctx, secret)
	return widened(p), err
}

// widened keeps the true properties, for trueScope.
func widened(p view.Principal) view.Principal {
	p.Everything = true
	return p
}

func trueScope(ctx context.Context, p view.Principal, source string) context.Context {
	return store.WithActor(store.WithScope(ctx, store.Scope{Properties: p.Properties}), p.Actor, source)
}

// unchecked is the service without any check of properties in the application.
func (g *realRig) unchecked() *rig {
	s := newServer(Options{Source: wide{g.server.Source}, Now: g.server.Now})
	s.bind = trueScope
	return &rig{t: g.t, server: s, router: s.routes()}
}

// foreignWords stand in everything that the foreign house has, and nowhere else.
const (
	ownHouse, foreignHouse = "ibis-05", "rail-06"
	foreignWord            = "zzforeign"
	// foreignPlace is where an event is that only the foreign house is part of.
	foreignPlace = 47.1234
)

var foreignWords = regexp.MustCompile("(?i)" + foreignWord + "|" + foreignHouse + "|" + regexp.QuoteMeta(fmt.Sprint(foreignPlace)))

// twoHouses fills both houses alike over the API, the foreign one with words that
// are looked for. It returns the ids of what was made, per kind of object.
func twoHouses(t *testing.T) (g *realRig, made map[string][2]string) {
	t.Helper()
	g = newRealRig(t)
	manager := g.token(store.RoleManager)
	made = map[string][2]string{}
	for i, house := range []string{ownHouse, foreignHouse} {
		for kind, id := range g.fill(manager, house, []string{"ours", foreignWord}[i]) {
			pair := made[kind]
			pair[i] = id
			made[kind] = pair
		}
	}
	made["event"] = g.events()
	return g, made
}

// events puts an event that both houses are part of and one of the foreign house
// alone where the step that joins houses would have written them, and returns
// their ids.
func (g *realRig) events() (made [2]string) {
	g.t.Helper()
	conn, err := pgx.Connect(g.t.Context(), g.url)
	if err != nil {
		g.t.Fatal(err)
	}
	defer conn.Close(context.WithoutCancel(g.t.Context()))
	if _, err := conn.Exec(g.t.Context(), `SET underkeep.properties = 'all'`); err != nil {
		g.t.Fatal(err)
	}
	for i, houses := range [][]string{{ownHouse, foreignHouse}, {foreignHouse}} {
		err := conn.QueryRow(g.t.Context(), `WITH e AS (
				INSERT INTO regional_event (kind, houses, since, last_at, latitude, longitude, radius_km, near_houses, near_fleet, near_km, near_hours, expected,
					probability, usual_a_year, opened_at, changed_at)
				VALUES ('storm', $1, $2, $2, $3, -77.9, 3, $1, 9, 5, 1, 0.01, 1e-6, 0.5, $2, $2) RETURNING event_id
			), m AS (
				INSERT INTO regional_member (property_id, call_out, event_id, since, joined_at)
				SELECT p.property_id, 'c' || $5, e.event_id, $2, $2 FROM e, property p WHERE p.name = ANY($4)
			) SELECT event_id::text FROM e`, len(houses), g.now.Add(-time.Hour), []float64{34.2, foreignPlace}[i], houses, fmt.Sprint(i)).Scan(&made[i])
		if err != nil {
			g.t.Fatal(err)
		}
	}
	return made
}

// deliver writes to somebody about the house, in vain.
func (g *realRig) deliver(house, word string) (id string) {
	g.t.Helper()
	reg, ok := g.store.Registry().Property(house)
	if !ok {
		g.t.Fatal("not registered: " + house)
	}
	n := store.NewNotice{Property: reg.Num, Subject: house + ".c9", Purpose: store.ToldAlarm, Level: 3, Channel: store.ByMail, Recipient: word + "@example.org",
		DueAt: g.now, ExpiresAt: g.now.Add(time.Hour)}
	if _, err := g.store.EnqueueNotices(g.t.Context(), g.now, n); err != nil {
		g.t.Fatal(err)
	}
	page, _, err := g.store.Notices(g.t.Context(), store.NoticeQuery{Scope: store.AllProperties, Subject: n.Subject})
	if err != nil || len(page) != 1 {
		g.t.Fatal(page, err)
	}
	claimed, ok, _, err := g.store.ClaimNotice(g.t.Context(), store.NoticeJob{Property: reg.Num, Delivery: page[0].ID}, g.now)
	if err != nil || !ok {
		g.t.Fatal(ok, err)
	}
	a := store.Attempted{Outcome: "later", State: store.NoticeWaiting, Again: g.now.Add(time.Minute), Detail: "451 no room for " + word}
	if err := g.store.FinishNotice(g.t.Context(), &claimed, a, g.now); err != nil {
		g.t.Fatal(err)
	}
	return fmt.Sprint(page[0].ID)
}

func (g *realRig) fill(manager, house, word string) map[string]string {
	g.t.Helper()
	q := request{method: "POST", path: "/v1/properties", token: manager, header: map[string]string{"Content-Type": "application/yaml"},
		body: fmt.Sprintf("property: %s\nname: %s house\ntimezone: America/New_York\ninstalled: 2024-03-02\narea: %s area\n"+
			"owner: {name: %s owner, email: %s@example.org, language: en}\npoints:\n"+
			"  - {id: %s-bay, measures: [rh], every: 5m}\n  - {id: mid-bay, measures: [rh, air-temp], every: 5m}\n  - {id: sump, measures: [high-water]}\n", house, word, word, word, word, word)}
	g.status(q, http.StatusCreated)
	if _, err := g.store.AddGateway(g.t.Context(), house, "gw1", "test"); err != nil {
		g.t.Fatal(err)
	}
	for _, ago := range []time.Duration{10 * time.Minute, 5 * time.Minute} {
		g.record(house, store.Reading{Point: "sump", Quantity: site.HighWater, At: g.now.Add(-ago), Value: 1},
			store.Reading{Point: "mid-bay", Quantity: site.RH, At: g.now.Add(-ago), Value: 48.5})
	}
	d := store.Delivery{Property: house, Gateway: "gw1", Received: g.now, Refused: []store.Refusal{{Topic: "underkeep/1/" + house + "/gw1/readings",
		Reason: "wrong-unit", Detail: word, Payload: []byte(word)}}}
	if _, err := g.store.Record(g.t.Context(), []store.Delivery{d}); err != nil {
		g.t.Fatal(err)
	}
	if err := g.store.Beat(g.t.Context(), g.now); err != nil {
		g.t.Fatal(err)
	}
	if _, err := g.store.EvaluateDue(g.t.Context(), g.now); err != nil {
		g.t.Fatal(err)
	}
	made := map[string]string{"property": house}
	made["alarm"] = g.first(manager, "/v1/alarms?property="+house, "alarms")
	g.write(manager, "/v1/alarms/"+made["alarm"]+"/acknowledge", `{"note":"`+word+`"}`)
	made["visit"] = g.write(manager, "/v1/visits", `{"property":"`+house+`","kind":"repair","reason":"`+word+`"}`)
	g.write(manager, "/v1/visits/"+made["visit"]+"/start", `{}`)
	g.write(manager, "/v1/visits/"+made["visit"]+"/parts", `{"part":"`+word+`"}`)
	photo := request{method: "POST", path: "/v1/visits/" + made["visit"] + "/photos", token: manager, body: onePixel, header: map[string]string{"Content-Type": "image/png"}}
	made["photo"] = g.made(photo)
	g.write(manager, "/v1/properties/"+house+"/sensor-checks", `{"point":"mid-bay","salt":"NaCl","temp_c":21.5,"read_pct":76.8,"remark":"`+word+`"}`)
	g.write(manager, "/v1/properties/"+house+"/pump-tests", `{"method":"float","ran":true,"remark":"`+word+`"}`)
	g.write(manager, "/v1/properties/"+house+"/terms", `{"terms":"standard-60","from":"2024-08-01"}`)
	g.write(manager, "/v1/properties/"+house+"/outages", `{"from":"2025-07-13T12:00:00Z","to":"2025-07-13T18:00:00Z","note":"`+word+`"}`)
	made["delivery"] = g.deliver(house, word)
	made["quarantine"] = g.first(manager, "/v1/quarantine?property="+house, "quarantine")
	return made
}

// write posts and expects success; it returns the id in the answer.
func (g *realRig) write(token, path, body string) string {
	g.t.Helper()
	return g.made(request{method: "POST", path: path, token: token, body: body})
}

func (g *realRig) made(q request) string {
	g.t.Helper()
	res := g.outside(q)
	body := readAll(res)
	if res.StatusCode >= 300 {
		g.t.Errorf("%s: %d %s", q.path, res.StatusCode, body)
	}
	var out struct{ ID string }
	_ = json.Unmarshal([]byte(body), &out) // not every answer has an id
	return out.ID
}

func (g *realRig) first(token, path, list string) string {
	g.t.Helper()
	var got map[string]json.RawMessage
	g.into(request{path: path, token: token}, &got)
	var items []struct{ ID string }
	if err := json.Unmarshal(got[list], &items); err != nil || len(items) == 0 {
		g.t.Errorf("%s: nothing there: %v %s", path, err, got[list])
		return ""
	}
	return items[0].ID
}

// kindOf says which kind of object a route's {id} names.
func kindOf(route string) string {
	for part, kind := range map[string]string{"/alarms/": "alarm", "/visits/": "visit", "/photos/": "photo", "/quarantine/": "quarantine", "/deliveries/": "delivery",
		"/regional-events/": "event", "/properties/": "property"} {
		if strings.Contains(route, part+"{id}") {
			return kind
		}
	}
	return ""
}

// TestTheDatabaseAloneLeaksNothing goes through every route that reads, as owner,
// technician and warranty desk of one house, with the application's checks of
// properties disabled.
func TestTheDatabaseAloneLeaksNothing(t *testing.T) {
	t.Parallel()
	g, made := twoHouses(t)
	open := g.unchecked()
	manager := g.token(store.RoleManager)
	tokens := map[store.Role]string{}
	for _, role := range []store.Role{store.RoleOwner, store.RoleTechnician, store.RoleWarranty} {
		tokens[role] = g.token(role, ownHouse)
	}
	tokens[store.RoleManager] = g.token(store.RoleManager, ownHouse)
	told := 0
	for route := range access {
		if !strings.HasPrefix(route, "GET ") {
			continue
		}
		own, foreign := "1", "1"
		if pair, known := made[kindOf(route)]; known {
			own, foreign = pair[0], pair[1]
		}
		// The search must be able to find something: whoever may see the house does.
		q := at(route, foreign)
		q.token = manager
		if foreignWords.MatchString(strings.ReplaceAll(readAll(g.short(g.rig, q)), q.path, "")) {
			told++
		}
		for role, token := range tokens {
			if role == store.RoleManager && ofTheCompany(route) {
				continue
			}
			for _, id := range []string{own, foreign} {
				q := at(route, id)
				q.token = token
				g.noForeign(open, q, role)
			}
		}
	}
	if told < 18 {
		t.Errorf("only %d routes tell anything of the foreign house to whom they may", told)
	}
	for _, path := range []string{"/v1/properties?q=zz", "/v1/alarms?property=" + foreignHouse, "/v1/visits?property=" + foreignHouse,
		"/v1/service-plan?property=" + foreignHouse, "/v1/properties?area=" + foreignWord + "+area"} {
		for role, token := range tokens {
			g.noForeign(open, request{path: path, token: token}, role)
		}
	}
}

// ofTheCompany are routes of managers that tell of no house: people, tokens, the
// audit log. A token that names houses is kept from them by its actions alone.
func ofTheCompany(route string) bool {
	for _, part := range []string{"/people", "/tokens", "/audit"} {
		if strings.Contains(route, part) {
			return true
		}
	}
	return false
}

// short sends a request whose stream ends with its first event.
func (g *realRig) short(on *rig, q request) *http.Response {
	w, r := recorded(q)
	on.router.ServeHTTP(w, r)
	return w.Result()
}

// noForeign holds status, headers and body against the words, and what was asked
// for may be repeated.
func (g *realRig) noForeign(on *rig, q request, role store.Role) {
	g.t.Helper()
	res := g.short(on, q)
	body := readAll(res)
	if res.StatusCode >= 500 {
		g.t.Errorf("%s as %s: %d %s", q.path, role, res.StatusCode, body)
	}
	seen := fmt.Sprint(res.Header, body)
	if strings.Contains(q.path, foreignHouse) { // an id may be repeated, what it names may not be told
		seen = strings.ReplaceAll(seen, foreignHouse, "")
	}
	if found := foreignWords.FindString(seen); found != "" {
		g.t.Errorf("%s as %s: %d tells %q: %.300s", q.path, role, res.StatusCode, found, body)
	}
}

// TestThePagesLeakNothingEither does the same with the pages.
func TestThePagesLeakNothingEither(t *testing.T) {
	t.Parallel()
	g, _ := twoHouses(t)
	open := g.unchecked()
	for _, role := range []store.Role{store.RoleOwner, store.RoleTechnician, store.RoleWarranty} {
		secret, err := g.server.Source.SignInByToken(t.Context(), g.token(role, ownHouse), view.Origin{Source: "192.0.2.7"})
		if err != nil {
			t.Fatal(err)
		}
		shown := 0
		for _, path := range []string{"/", "/today", "/home", "/home/" + ownHouse, "/home/" + foreignHouse, "/properties/" + ownHouse, "/properties/" + foreignHouse,
			"/warranty", "/properties/" + ownHouse + "/conditions", "/properties/" + foreignHouse + "/conditions", "/properties/" + foreignHouse + "/report",
			"/properties/" + foreignHouse + "/readings.csv?point=mid-bay&quantity=rh", "/properties/" + foreignHouse + "/changes", "/today?q=zz",
			"/today?group=area", "/outages", "/outages?q=zz", "/properties/" + ownHouse + "/outages", "/properties/" + foreignHouse + "/outages", "/properties/" + foreignHouse + "/evidence", "/account"} {
			q := request{path: path, header: map[string]string{"Cookie": "underkeep_session=" + secret}}
			g.noForeign(open, q, role)
			if g.short(open, q).StatusCode == http.StatusOK {
				shown++
			}
		}
		if shown < 2 {
			t.Errorf("%s sees only %d pages", role, shown)
		}
	}
}
