package api

import (
	"net/http"
	"strings"
	"testing"

	"underkeep/api/viewtest"
)

// TestEvidenceIsOpen: nobody needs a token to hold us to what we signed.
func TestEvidenceIsOpen(t *testing.T) {
	t.Parallel()
	g := newRig(t)
	for path, want := range map[string]string{
		"/v1/evidence/key": viewtest.EvidenceKey + "\n", "/v1/evidence/checkpoint": viewtest.EvidenceCheckpoint,
		"/v1/evidence/consistency?from=6&to=8": strings.Repeat("AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA=\n", 2),
		"/v1/evidence/consistency?from=8&to=8": "",
	} {
		res := g.status(request{path: path}, http.StatusOK)
		if got := readAll(res); got != want {
			t.Errorf("%s: %q, want %q", path, got, want)
		}
		if got := res.Header.Get("Content-Type"); got != "text/plain; charset=utf-8" {
			t.Errorf("%s: %s", path, got)
		}
	}
	for _, wrong := range []string{"", "?from=1", "?from=-1&to=8", "?from=8&to=1", "?from=a&to=8", "?from=1&to=99999999999999999999", "?from=1&to=9", "?from=1&to=8&x=1"} {
		g.status(request{path: "/v1/evidence/consistency" + wrong}, http.StatusBadRequest)
	}
	g.fleet.Down = viewtest.ErrDown
	for _, path := range []string{"/v1/evidence/key", "/v1/evidence/checkpoint", "/v1/evidence/consistency?from=1&to=8"} {
		g.status(request{path: path}, http.StatusServiceUnavailable)
	}
}
