package api

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"strings"
	"testing"
	"time"

	"underkeep/ingest"
	"underkeep/store"
	"underkeep/store/localpg/pgtest"
	"underkeep/store/site"
)

func migrateTemplate(ctx context.Context, url string) error {
	s, err := store.Open(ctx, url, store.Options{Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		return err
	}
	defer s.Close()
	return s.Migrate(ctx)
}

// realRig is the service over a real database.
type realRig struct {
	*rig
	url   string // of the database
	store *store.Store
	now   time.Time
}

func newRealRig(t *testing.T) *realRig {
	t.Helper()
	url := pgtest.New(t, migrateTemplate)
	st, err := store.Open(t.Context(), url, store.Options{Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(st.Close)
	g := &realRig{url: url, store: st, now: time.Now().UTC().Truncate(time.Second)}
	clock := func() time.Time { return g.now }
	log := slog.New(slog.NewTextHandler(t.Output(), &slog.HandlerOptions{Level: slog.LevelWarn}))
	s := newServer(Options{Source: FromStore(st, clock), Now: clock, Logger: log})
	g.rig = &rig{t: t, server: s, router: s.routes()}
	return g
}

func (g *realRig) token(role store.Role, properties ...string) string {
	g.t.Helper()
	secret, err := g.store.CreateToken(g.t.Context(), store.NewToken{Name: "Test " + string(role), Role: role, Properties: properties, By: "test"})
	if err != nil {
		g.t.Fatal(err)
	}
	return secret
}

func (g *realRig) record(property string, readings ...store.Reading) {
	g.t.Helper()
	d := store.Delivery{Property: property, Gateway: "gw1", Received: g.now, Readings: readings}
	if _, err := g.store.Record(g.t.Context(), []store.Delivery{d}); err != nil {
		g.t.Fatal(err)
	}
}

func cottageFile(id, points string) request {
	return request{method: "POST", path: "/v1/properties", header: map[string]string{"Content-Type": "application/yaml"},
		body: "property: " + id + "\nname: Cottage " + id + "\ntimezone: America/New_York\ninstalled: 2024-03-02\npoints:\n" + points}
}

const airAndSump = "  - {id: mid-bay, measures: [rh, air-temp], every: 5m}\n  - {id: sump, measures: [high-water]}\n"

func (g *realRig) register(id, manager string) {
	g.t.Helper()
	q := cottageFile(id, airAndSump)
	q.token = manager
	g.status(q, http.StatusCreated)
	if _, err := g.store.AddGateway(g.t.Context(), id, "gw1", "test"); err != nil {
		g.t.Fatal(err)
	}
}

// TestFromRegistrationToAnswer goes the whole way over the API and a real
// database: register, measure, be told, answer.
func TestFromRegistrationToAnswer(t *testing.T) {
	t.Parallel()
	g := newRealRig(t)
	manager, owner := g.token(store.RoleManager), ""
	g.register("ibis-05", manager)
	g.register("rail-06", manager)
	owner = g.token(store.RoleOwner, "ibis-05")
	// The float has been wet for the 60 s of the contract.
	for _, ago := range []time.Duration{10 * time.Minute, 5 * time.Minute} {
		g.record("ibis-05",
			store.Reading{Point: "sump", Quantity: site.HighWater, At: g.now.Add(-ago), Value: 1},
			store.Reading{Point: "mid-bay", Quantity: site.RH, At: g.now.Add(-ago), Value: 48.5})
	}
	if err := g.store.Beat(t.Context(), g.now); err != nil {
		t.Fatal(err)
	}
	if _, err := g.store.EvaluateDue(t.Context(), g.now); err != nil {
		t.Fatal(err)
	}
	var got struct {
		Alarms []struct{ ID, Condition, State, Property string }
	}
	g.into(request{path: "/v1/alarms", token: owner}, &got)
	if len(got.Alarms) != 1 || got.Alarms[0].Condition != "high-water" || got.Alarms[0].State != "unacknowledged" {
		t.Fatalf("%+v", got)
	}
	ack := request{method: "POST", path: "/v1/alarms/" + got.Alarms[0].ID + "/acknowledge", token: owner, body: `{"note":"seen"}`}
	g.status(ack, http.StatusOK)
	g.into(request{path: "/v1/alarms?state=acknowledged", token: manager}, &got)
	if len(got.Alarms) != 1 {
		t.Errorf("%+v", got)
	}
	g.checkFleet(manager, owner)
}

func (g *realRig) checkFleet(manager, owner string) {
	g.t.Helper()
	var fleet struct {
		Properties []struct {
			Property string
			Status   statusOut
		}
		Next string
	}
	g.into(request{path: "/v1/properties?limit=1", token: manager}, &fleet)
	if len(fleet.Properties) != 1 || fleet.Properties[0].Status.Priority != "urgent" || fleet.Next == "" {
		g.t.Errorf("%+v", fleet)
	}
	g.into(request{path: "/v1/properties?limit=1&cursor=" + fleet.Next, token: manager}, &fleet)
	if fleet.Properties[0].Property != "rail-06" {
		g.t.Errorf("%+v", fleet)
	}
	g.status(request{path: "/v1/properties/rail-06", token: owner}, http.StatusNotFound)
	var page readingsGot
	g.into(request{path: "/v1/properties/ibis-05/readings?point=mid-bay&quantity=rh", token: owner}, &page)
	if len(page.Readings) != 2 || page.Readings[0].Value != 48.5 {
		g.t.Errorf("%+v", page)
	}
	g.status(request{path: "/v1/properties/ibis-05/gateways", token: manager}, http.StatusOK)
	g.awaitReady()
	if body := readAll(g.status(request{path: "/metrics"}, http.StatusOK)); !strings.Contains(body, `underkeep_alarms{state="acknowledged"} 1`) {
		g.t.Error(body)
	}
}

// awaitReady asks again where a busy machine did not answer in time: that is said
// as such, and is no answer to whether the service works.
func (g *realRig) awaitReady() {
	g.t.Helper()
	for range 20 {
		res := g.do(request{path: "/readyz"})
		body := readAll(res)
		if res.StatusCode == http.StatusOK {
			return
		}
		if !strings.Contains(body, "did not say within") && !strings.Contains(body, "does not answer") {
			g.t.Fatal(body)
		}
	}
	g.t.Fatal("not ready within 20 tries")
}

func TestRefusedFileNamesLineAndField(t *testing.T) {
	t.Parallel()
	g := newRealRig(t)
	q := cottageFile("stilt-08", "  - {id: mid-bay, measures: [rh], every: 5 parsecs}\n")
	q.token = g.token(store.RoleManager)
	var p problem
	if err := json.NewDecoder(g.status(q, http.StatusUnprocessableEntity).Body).Decode(&p); err != nil {
		t.Fatal(err)
	}
	if len(p.Errors) != 1 || p.Errors[0].Line != 6 || p.Errors[0].Field == "" || p.Errors[0].Detail == "" {
		t.Errorf("%+v", p)
	}
}

// TestReplayAfterTheCauseIsFixed quarantines a reading of a point that is not
// described yet, describes it, and replays.
func TestReplayAfterTheCauseIsFixed(t *testing.T) {
	t.Parallel()
	g := newRealRig(t)
	manager := g.token(store.RoleManager)
	g.register("knot-10", manager)
	at := g.now.Add(-time.Minute)
	payload := fmt.Appendf(nil, `[{"n":"attic/rh","u":"%%RH","t":%d,"v":51}]`, at.Unix())
	topic := "underkeep/1/knot-10/gw1/readings"
	refused := ingest.Decode(ingest.StoreSites(g.store.Registry), topic, payload, g.now)
	if len(refused.Refused) != 1 || refused.Refused[0].Reason != store.ReasonUnknownPoint {
		t.Fatalf("%+v", refused)
	}
	if _, err := g.store.Record(t.Context(), []store.Delivery{refused}); err != nil {
		t.Fatal(err)
	}
	var list struct{ Quarantine []struct{ ID, Reason string } }
	g.into(request{path: "/v1/quarantine", token: manager}, &list)
	if len(list.Quarantine) != 1 {
		t.Fatalf("%+v", list)
	}
	replay := request{method: "POST", path: "/v1/quarantine/" + list.Quarantine[0].ID + "/replay", token: manager}
	var done struct{ Stored, Refused int }
	g.into(replay, &done)
	if done.Stored != 0 || done.Refused == 0 {
		t.Errorf("before the fix: %+v", done)
	}
	q := cottageFile("knot-10", airAndSump+"  - {id: attic, measures: [rh], every: 5m}\n")
	q.token = manager
	g.status(q, http.StatusOK)
	g.into(replay, &done)
	if done.Stored != 1 || done.Refused != 0 {
		t.Errorf("after the fix: %+v", done)
	}
	g.status(replay, http.StatusConflict)
	var page readingsGot
	g.into(request{path: "/v1/properties/knot-10/readings?point=attic&quantity=rh", token: manager}, &page)
	if len(page.Readings) != 1 || page.Readings[0].Value != 51 {
		t.Errorf("%+v", page)
	}
}

func TestRevokedAndExpiredTokensAre401(t *testing.T) {
	t.Parallel()
	g := newRealRig(t)
	secret, err := g.store.CreateToken(t.Context(), store.NewToken{Name: "short", Role: store.RoleManager, Expires: g.now.Add(time.Hour), By: "test"})
	if err != nil {
		t.Fatal(err)
	}
	ask := request{path: "/v1/properties", token: secret}
	g.status(ask, http.StatusOK)
	g.now = g.now.Add(time.Hour)
	g.status(ask, http.StatusUnauthorized)
	g.now = g.now.Add(-time.Hour)
	tokens, err := g.store.Tokens(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if err := g.store.RevokeToken(t.Context(), tokens[0].ID, "test"); err != nil {
		t.Fatal(err)
	}
	g.status(ask, http.StatusUnauthorized)
}
