package api

import (
	"bytes"
	"cmp"
	"fmt"
	"image"
	"image/png"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"underkeep/api/view"
	"underkeep/api/viewtest"
)

func stateNames() []string {
	var out []string
	for _, s := range view.States() {
		out = append(out, string(s))
	}
	return out
}

// access is what each role may do with what belongs to it, written down once:
// status for manager, technician, owner, warranty. Everything that is not here
// fails TestAccess, so a new route cannot go without a decision.
var access = map[string][4]int{
	"GET /v1/properties":                     {200, 200, 200, 200},
	"POST /v1/properties":                    {201, 403, 403, 403},
	"GET /v1/properties/{id}":                {200, 200, 200, 200},
	"GET /v1/properties/{id}/readings":       {200, 200, 200, 200},
	"GET /v1/properties/{id}/series":         {200, 200, 200, 200},
	"GET /v1/properties/{id}/gateways":       {200, 200, 403, 403},
	"GET /v1/properties/{id}/limits":         {200, 200, 200, 200},
	"GET /v1/properties/{id}/outlook":        {200, 200, 200, 200},
	"GET /v1/properties/{id}/weather":        {200, 200, 200, 200},
	"GET /v1/properties/{id}/live":           {200, 200, 200, 200},
	"GET /v1/properties/{id}/conditions":     {200, 200, 200, 200},
	"GET /v1/properties/{id}/report":         {200, 200, 200, 200},
	"GET /v1/properties/{id}/evidence":       {200, 200, 200, 200},
	"GET /v1/properties/{id}/terms":          {200, 200, 200, 200},
	"POST /v1/properties/{id}/terms":         {201, 403, 403, 403},
	"GET /v1/properties/{id}/outages":        {200, 200, 200, 200},
	"POST /v1/properties/{id}/outages":       {201, 201, 201, 403},
	"GET /v1/warranty-terms":                 {200, 200, 200, 200},
	"POST /v1/warranty-terms":                {201, 403, 403, 403},
	"GET /v1/alarms":                         {200, 200, 200, 200},
	"GET /v1/alarms/{id}":                    {200, 200, 200, 200},
	"GET /v1/alarms/{id}/journal":            {200, 200, 200, 200},
	"POST /v1/alarms/{id}/acknowledge":       {200, 200, 200, 403},
	"POST /v1/alarms/{id}/shelve":            {200, 200, 403, 403},
	"POST /v1/alarms/{id}/unshelve":          {200, 200, 403, 403},
	"POST /v1/alarms/{id}/out-of-service":    {200, 200, 403, 403},
	"POST /v1/alarms/{id}/return-to-service": {200, 200, 403, 403},
	"GET /v1/regional-events":                {200, 200, 200, 200},
	"GET /v1/regional-events/{id}":           {200, 200, 200, 200},
	"GET /v1/alarm-load":                     {200, 403, 403, 403},
	"GET /v1/visits":                         {200, 200, 200, 200},
	"POST /v1/visits":                        {201, 403, 403, 403},
	"GET /v1/visits/{id}":                    {200, 200, 200, 200},
	"POST /v1/visits/{id}/change":            {200, 403, 403, 403},
	"POST /v1/visits/{id}/start":             {200, 200, 403, 403},
	"POST /v1/visits/{id}/findings":          {200, 200, 403, 403},
	"POST /v1/visits/{id}/sign-off":          {200, 200, 403, 403},
	"POST /v1/visits/{id}/cancel":            {200, 403, 403, 403},
	"POST /v1/visits/{id}/readings":          {201, 201, 403, 403},
	"POST /v1/visits/{id}/parts":             {201, 201, 403, 403},
	"POST /v1/visits/{id}/photos":            {201, 201, 403, 403},
	"GET /v1/photos/{id}":                    {200, 200, 200, 200},
	"GET /v1/service-plan":                   {200, 200, 200, 200},
	"GET /v1/properties/{id}/visits":         {200, 200, 200, 200},
	"GET /v1/properties/{id}/technicians":    {200, 403, 403, 403},
	"GET /v1/properties/{id}/sensor-checks":  {200, 200, 200, 200},
	"POST /v1/properties/{id}/sensor-checks": {201, 201, 403, 403},
	"GET /v1/properties/{id}/pump-tests":     {200, 200, 200, 200},
	"POST /v1/properties/{id}/pump-tests":    {201, 201, 403, 403},
	"POST /v1/sensor-checks/{id}/withdraw":   {204, 403, 403, 403},
	"POST /v1/pump-tests/{id}/withdraw":      {204, 403, 403, 403},
	"GET /v1/deliveries":                     {200, 403, 403, 403},
	"GET /v1/deliveries/{id}":                {200, 403, 403, 403},
	"POST /v1/deliveries/{id}/retry":         {200, 403, 403, 403},
	"POST /v1/people/{id}/test-message":      {202, 403, 403, 403},
	"GET /v1/stopped-addresses":              {200, 403, 403, 403},
	"DELETE /v1/stopped-addresses/{address}": {204, 403, 403, 403},
	"GET /v1/routing":                        {200, 403, 403, 403},
	"PUT /v1/routing":                        {200, 403, 403, 403},
	"GET /v1/quarantine":                     {200, 403, 403, 403},
	"GET /v1/quarantine/{id}":                {200, 403, 403, 403},
	"POST /v1/quarantine/{id}/replay":        {200, 403, 403, 403},
	"POST /v1/quarantine/{id}/discard":       {200, 403, 403, 403},

	"GET /v1/people":              {200, 403, 403, 403},
	"POST /v1/people":             {201, 403, 403, 403},
	"GET /v1/people/{id}":         {200, 403, 403, 403},
	"PATCH /v1/people/{id}":       {200, 403, 403, 403},
	"GET /v1/me":                  {200, 200, 200, 200},
	"GET /v1/me/sessions":         {200, 200, 200, 200},
	"DELETE /v1/me/sessions/{id}": {204, 204, 204, 204},
	"GET /v1/tokens":              {200, 403, 403, 403},
	"POST /v1/tokens":             {201, 403, 403, 403},
	"DELETE /v1/tokens/{id}":      {204, 403, 403, 403},
	"GET /v1/audit":               {200, 403, 403, 403},
	"GET /v1/service":             {200, 403, 403, 403},
	"DELETE /v1/properties/{id}/gateways/{gateway}":        {204, 403, 403, 403},
	"POST /v1/properties/{id}/gateways/{gateway}/password": {201, 403, 403, 403},
}

// operators see how the service does and nothing of any house: 403 but for
// these.
var operators = map[string]int{"GET /v1/me": 200, "GET /v1/me/sessions": 200, "DELETE /v1/me/sessions/{id}": 204, "GET /v1/service": 200}

// beyondReading is what a manager's token that is narrowed to "read" may not,
// beside every write.
var beyondReading = []string{"GET /v1/properties/{id}/gateways", "GET /v1/alarm-load", "GET /v1/quarantine", "GET /v1/quarantine/{id}", "GET /v1/people",
	"GET /v1/people/{id}", "GET /v1/me", "GET /v1/me/sessions", "GET /v1/tokens", "GET /v1/audit", "GET /v1/service"}

// open routes need no token.
var open = []string{"GET /healthz", "GET /metrics", "GET /readyz", "GET /v1/openapi.json",
	"GET /v1/evidence/key", "GET /v1/evidence/checkpoint", "GET /v1/evidence/consistency"}

// onePixel is a whole PNG.
var onePixel = func() string {
	var b bytes.Buffer
	if err := png.Encode(&b, image.NewGray(image.Rect(0, 0, 1, 1))); err != nil {
		panic(err)
	}
	return b.String()
}()

var tokens = [4]string{viewtest.ManagerToken, viewtest.TechnicianToken, viewtest.OwnerToken, viewtest.WarrantyToken}

// at fills the route's {id} with an object and gives it a body that is right.
func at(route, id string) request {
	method, path, _ := strings.Cut(route, " ")
	q := request{method: method, path: strings.NewReplacer("{id}", id, "{gateway}", "gw1", "{address}", url.PathEscape(id)).Replace(path)}
	switch route {
	case "POST /v1/people":
		q.body = `{"name":"New Person","role":"technician","properties":["heron-07"],"email":"new@example.org"}`
	case "POST /v1/people/{id}/test-message":
		q.body = `{"channel":"mail"}`
	case "PATCH /v1/people/{id}":
		q.body = `{"name":"Another Name"}`
	case "POST /v1/tokens":
		q.body = `{"name":"a screen","role":"manager","actions":["read"]}`
	case "POST /v1/properties":
		q.body, q.header = "property: new-01\nname: New", map[string]string{"Content-Type": "application/yaml"}
	case "GET /v1/properties/{id}/readings", "GET /v1/properties/{id}/series":
		q.path += "?point=mid-bay&quantity=rh"
		if id == "heron-07" {
			q.path = strings.Replace(q.path, "mid-bay", "north-bay", 1)
		}
	case "POST /v1/properties/{id}/terms":
		q.body = `{"terms":"standard-60","from":"2026-08-01"}`
	case "POST /v1/properties/{id}/outages":
		q.body = `{"from":"2026-07-13T12:00:00Z","to":"2026-07-13T18:00:00Z","note":"storm"}`
	case "POST /v1/warranty-terms":
		q.body, q.header = ownTerms, map[string]string{"Content-Type": "application/yaml"}
	case "POST /v1/alarms/{id}/shelve":
		q.body = `{"until":"2026-07-15T12:00:00Z","note":"part ordered"}`
	case "POST /v1/visits":
		q.body = `{"property":"heron-07","kind":"repair","reason":"float sticks"}`
	case "POST /v1/visits/{id}/findings", "POST /v1/visits/{id}/sign-off":
		q.body = `{"findings":"all clear","work":["filter"]}`
	case "POST /v1/visits/{id}/cancel", "POST /v1/sensor-checks/{id}/withdraw", "POST /v1/pump-tests/{id}/withdraw":
		q.body = `{"note":"the other house"}`
	case "POST /v1/visits/{id}/readings":
		q.body = `{"quantity":"rh","value":52.5}`
	case "POST /v1/visits/{id}/parts":
		q.body = `{"part":"float switch"}`
	case "POST /v1/visits/{id}/photos":
		q.body, q.header = onePixel, map[string]string{"Content-Type": "image/png"}
	case "POST /v1/properties/{id}/sensor-checks":
		q.body = `{"point":"north-bay","salt":"NaCl","temp_c":21.5,"read_pct":76.8}`
	case "POST /v1/properties/{id}/pump-tests":
		q.body = `{"method":"float","ran":true}`
	case "PUT /v1/routing":
		q.body = "company: Skerry Bank Dry Spaces\nrules:\n  - {to: [owner], at_least: high}"
	case "POST /v1/alarms/{id}/out-of-service":
		q.body = `{"note":"unit away for repair"}`
	}
	return q
}

// ownID is an object of heron-07, which every scoped token of the fleet covers;
// foreignID one that only whole-fleet tokens reach.
func ids(route string) (own, foreign, unknown string) {
	switch {
	case strings.Contains(route, "/alarms/"):
		return "106", "104", "999999"
	case strings.HasSuffix(route, "/start"), strings.HasSuffix(route, "/cancel"), strings.HasSuffix(route, "/change"):
		return "heron-07.v2", "plover-21.v1", "heron-07.v99"
	case strings.Contains(route, "POST /v1/visits/"):
		return "heron-07.v3", "plover-21.v1", "heron-07.v99"
	case strings.Contains(route, "/visits/"):
		return "heron-07.v1", "plover-21.v1", "heron-07.v99"
	case strings.Contains(route, "/photos/"):
		return "heron-07.p1", "plover-21.p1", "heron-07.p99"
	case strings.Contains(route, "/sensor-checks/"):
		return "heron-07.c1", "plover-21.c1", "heron-07.c99"
	case strings.Contains(route, "/pump-tests/"):
		return "heron-07.t1", "plover-21.t1", "heron-07.t99"
	case strings.Contains(route, "/stopped-addresses/"):
		return "stopped@example.org", "stopped@example.org", "nobody@example.org"
	case strings.Contains(route, "/people/"):
		return "2", "2", "999999"
	case strings.Contains(route, "/tokens/"):
		return "1", "1", "999999"
	case strings.Contains(route, "/sessions/"):
		return "7", "8", "999999"
	case strings.Contains(route, "/deliveries/"):
		return "2", "2", "999999"
	case strings.Contains(route, "/quarantine/"):
		return "2", "2", "999999"
	case strings.Contains(route, "/regional-events/"):
		return "7", "8", "999999"
	default:
		return "heron-07", "plover-21", "no-such"
	}
}

func TestEveryRouteHasADecision(t *testing.T) {
	t.Parallel()
	for _, route := range apiRoutes(t) {
		_, decided := access[route]
		for _, o := range open {
			decided = decided || o == route
		}
		if !decided {
			t.Errorf("%s: nobody has written down who may", route)
		}
	}
}

func TestAccess(t *testing.T) {
	t.Parallel()
	for route, want := range access {
		own, foreign, unknown := ids(route)
		for i, token := range tokens {
			q := at(route, own)
			q.token = token
			newRig(t).status(q, want[i])
			if strings.Contains(route, "{id}") || strings.Contains(route, "{address}") {
				checkOthers(t, route, token, want[i], foreign, unknown)
			}
		}
		q := at(route, own)
		q.token = viewtest.OperatorToken
		newRig(t).status(q, cmp.Or(operators[route], http.StatusForbidden))
	}
}

func TestANarrowedTokenMayNoMore(t *testing.T) {
	t.Parallel()
	for route := range access {
		if strings.HasPrefix(route, "GET ") && !slices.Contains(beyondReading, route) {
			continue
		}
		own, _, _ := ids(route)
		q := at(route, own)
		q.token = viewtest.ScopedToken
		newRig(t).status(q, http.StatusForbidden)
	}
	newRig(t).status(request{path: "/v1/properties/heron-07", token: viewtest.ScopedToken}, http.StatusOK)
}

// checkOthers expects foreign and unknown objects to be answered alike: 404, or
// the 403 of a role that may not at all.
func checkOthers(t *testing.T, route, token string, own int, foreign, unknown string) {
	t.Helper()
	want := http.StatusNotFound
	if own == http.StatusForbidden {
		want = http.StatusForbidden
	}
	q := at(route, unknown)
	q.token = token
	newRig(t).status(q, want)
	if token == viewtest.TechnicianToken || token == viewtest.OwnerToken {
		q = at(route, foreign)
		q.token = token
		newRig(t).status(q, want)
	}
}

func TestNoValidTokenIs401(t *testing.T) {
	t.Parallel()
	g := newRig(t)
	for route := range access {
		own, _, _ := ids(route)
		for name, header := range map[string]string{
			"missing": "", "unknown": "Bearer nobody", "expired": "Bearer " + viewtest.ExpiredToken, "empty": "Bearer ",
			"scheme": "Basic " + viewtest.ManagerToken, "bare": viewtest.ManagerToken, "long": "Bearer " + strings.Repeat("x", 600),
		} {
			q := at(route, own)
			q.header = map[string]string{"Authorization": header, "Content-Type": "application/json"}
			if res := g.status(q, http.StatusUnauthorized); res.Header.Get("WWW-Authenticate") == "" {
				t.Errorf("%s, %s token: no WWW-Authenticate", route, name)
			}
		}
	}
}

func TestListsShowOnlyWhatIsInScope(t *testing.T) {
	t.Parallel()
	g := newRig(t)
	var got struct {
		Properties []struct {
			Property string
			Owner    *struct{ Email string }
		}
		Alarms []struct{ Property string }
	}
	g.into(request{path: "/v1/properties", token: viewtest.OwnerToken}, &got)
	if len(got.Properties) != 1 || got.Properties[0].Property != "heron-07" {
		t.Errorf("an owner sees %+v", got.Properties)
	}
	g.into(request{path: "/v1/alarms", token: viewtest.OwnerToken}, &got)
	for _, a := range got.Alarms {
		if a.Property != "heron-07" {
			t.Errorf("an owner sees an alarm of %s", a.Property)
		}
	}
	g.status(request{path: "/v1/alarms?property=gull-03", token: viewtest.OwnerToken}, http.StatusNotFound)
	for i, sees := range []bool{true, false, true, false} {
		got.Properties = nil
		g.into(request{path: "/v1/properties?q=heron", token: tokens[i]}, &got)
		if shown := got.Properties[0].Owner != nil; shown != sees {
			t.Errorf("token %d sees the owner: %v", i, shown)
		}
	}
}

func TestOutageIs503AndTellsNothing(t *testing.T) {
	t.Parallel()
	g := newRig(t)
	g.fleet.Down = viewtest.ErrDown
	for route := range access {
		own, _, _ := ids(route)
		q := at(route, own)
		q.token = viewtest.ManagerToken
		res := g.status(q, http.StatusServiceUnavailable)
		if body := fmt.Sprint(readAll(res)); strings.Contains(body, "db.internal") {
			t.Errorf("%s: tells where the database is: %s", route, body)
		}
	}
}
