package api

import (
	"bytes"
	"io"
	"net/http"
	"strings"
	"testing"

	"underkeep/api/viewtest"
	"underkeep/api/warranty"
)

// ownTerms is a set of a company's own.
const ownTerms = `terms: coastal-65
version: 1
title: Coastal houses
decision: {conformance_probability: 90 %}
humidity: {limit: 65 %RH, applies_to: [north-bay], longest_excursion: 48h, above: 100h, rolling: 365d}
`

func TestConditions(t *testing.T) {
	t.Parallel()
	g := newRig(t)
	var v warranty.Verdict
	g.into(asManager("/v1/properties/heron-07/conditions?from=2026-06-20&to=2026-07-12"), &v)
	if v.Property != "heron-07" || v.Days != 23 || v.From.Format("2006-01-02T15:04") != "2026-06-20T04:00" || v.To.Format("2006-01-02T15:04") != "2026-07-13T04:00" {
		t.Errorf("%s: %d days, %s to %s", v.Property, v.Days, v.From, v.To)
	}
	if v.Outcome == "" || len(v.Pieces) != 1 || v.Pieces[0].Terms != "standard-60" || len(v.Points) != 2 || len(v.Outages) != 1 || len(v.Visits) != 1 {
		t.Errorf("%+v", v)
	}
	if v.Exclusions[0].Kind != warranty.DuringVisit && v.Exclusions[0].Kind != warranty.DuringOutage {
		t.Errorf("%+v", v.Exclusions)
	}
	for path, want := range map[string]string{
		"from=2026-07-10&to=2026-07-01": "not later than from", "from=yesterday": "neither a day", "form=2026-07-01": "not known here", "from=" + strings.Repeat("2", 90): "80 bytes",
	} {
		res := g.status(asManager("/v1/properties/heron-07/conditions?"+path), http.StatusBadRequest)
		if body, _ := io.ReadAll(res.Body); !strings.Contains(string(body), want) {
			t.Errorf("%s: %s", path, body)
		}
	}
}

func TestConditionsWithoutTermsProveNothing(t *testing.T) {
	t.Parallel()
	var v warranty.Verdict
	newRig(t).into(asManager("/v1/properties/gull-03/conditions?from=2026-07-01"), &v)
	if v.Outcome != warranty.NotProven || v.Pieces[0].Terms != "" {
		t.Errorf("%+v", v)
	}
}

func TestReport(t *testing.T) {
	t.Parallel()
	g := newRig(t)
	read := func(q request) []byte {
		res := g.status(q, http.StatusOK)
		body, err := io.ReadAll(res.Body)
		if err != nil || res.Header.Get("Content-Type") != "application/pdf" || !bytes.HasPrefix(body, []byte("%PDF")) {
			t.Fatalf("%s: %s, %.20q, %v", q.path, res.Header.Get("Content-Type"), body, err)
		}
		return body
	}
	a := read(asManager("/v1/properties/heron-07/report?from=2026-06-20&to=2026-07-12"))
	q := asManager("/v1/properties/heron-07/conditions?from=2026-06-20&to=2026-07-12")
	q.header = map[string]string{"Accept": "application/pdf"}
	if !bytes.Equal(a, read(q)) {
		t.Error("two ways to one report give two reports")
	}
}

func TestOwnTerms(t *testing.T) {
	t.Parallel()
	g := newRig(t)
	post := func(path, body, kind string, want int) *http.Response {
		q := asManager(path)
		q.method, q.body, q.header = "POST", body, map[string]string{"Content-Type": kind}
		return g.status(q, want)
	}
	post("/v1/warranty-terms", ownTerms, "application/yaml", http.StatusCreated)
	post("/v1/warranty-terms", ownTerms, "application/yaml", http.StatusConflict)
	post("/v1/warranty-terms", strings.Replace(ownTerms, "coastal-65", "standard-60", 1), "application/yaml", http.StatusUnprocessableEntity)
	post("/v1/warranty-terms", "terms: x", "application/yaml", http.StatusUnprocessableEntity)
	post("/v1/properties/gull-03/terms", `{"terms":"coastal-65","from":"2026-05-01"}`, "application/json", http.StatusCreated)
	post("/v1/properties/gull-03/terms", `{"terms":"standard-60","from":"2026-06-01"}`, "application/json", http.StatusConflict)
	post("/v1/properties/gull-03/terms", `{"terms":"no-such","from":"2026-08-01"}`, "application/json", http.StatusBadRequest)
	post("/v1/properties/gull-03/terms", `{"terms":"coastal-65","from":"soon"}`, "application/json", http.StatusBadRequest)
	var got struct {
		Terms []struct {
			Terms   string
			Shipped bool
		}
	}
	g.into(asManager("/v1/warranty-terms"), &got)
	if len(got.Terms) != 2 || !got.Terms[0].Shipped || got.Terms[1].Terms != "coastal-65" {
		t.Errorf("%+v", got)
	}
}

func TestOutagesAreListed(t *testing.T) {
	t.Parallel()
	g := newRig(t)
	q := asManager("/v1/properties/heron-07/outages")
	q.method, q.token, q.body = "POST", viewtest.OwnerToken, `{"from":"2026-07-13T12:00:00Z","to":"2026-07-14T18:00:00Z"}`
	g.status(q, http.StatusBadRequest) // not over yet
	var got struct{ Outages []warranty.Outage }
	g.into(asManager("/v1/properties/heron-07/outages"), &got)
	if len(got.Outages) != 1 || got.Outages[0].By != "R. Okafor" {
		t.Errorf("%+v", got)
	}
}
