package api

import (
	"net/http"
	"slices"
	"strings"
	"testing"

	"github.com/go-chi/chi/v5"
)

func TestDocumentIsValid(t *testing.T) {
	t.Parallel()
	v, model := contract()
	validating.Lock()
	defer validating.Unlock()
	if ok, errs := v.ValidateDocument(); !ok {
		for _, err := range errs {
			t.Errorf("%s: %s %v", err.Message, err.Reason, err.SchemaValidationErrors)
		}
	}
	if model.Version != "3.1.0" {
		t.Errorf("OpenAPI %s, want 3.1.0", model.Version)
	}
}

// apiRoutes are the routes of programs, as "GET /path"; pages are not among them.
func apiRoutes(t *testing.T) []string {
	var out []string
	err := chi.Walk(newRig(t).router, func(method, route string, _ http.Handler, _ ...func(http.Handler) http.Handler) error {
		if strings.HasPrefix(route, "/v1/") || slices.Contains([]string{"/healthz", "/readyz", "/metrics"}, route) {
			out = append(out, method+" "+route)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	slices.Sort(out)
	return out
}

func TestEveryRouteIsDocumentedAndEveryDocumentedOneExists(t *testing.T) {
	t.Parallel()
	_, model := contract()
	var documented []string
	for path, item := range model.Paths.PathItems.FromOldest() {
		for method := range item.GetOperations().FromOldest() {
			documented = append(documented, strings.ToUpper(method)+" "+path)
		}
	}
	slices.Sort(documented)
	if served := apiRoutes(t); !slices.Equal(served, documented) {
		t.Errorf("served     %q\ndocumented %q", served, documented)
	}
}

func TestDocumentIsServedWithoutToken(t *testing.T) {
	t.Parallel()
	g := newRig(t)
	res := g.status(request{path: "/v1/openapi.json"}, http.StatusOK)
	again := request{path: "/v1/openapi.json", header: map[string]string{"If-None-Match": res.Header.Get("ETag")}}
	g.status(again, http.StatusNotModified)
}

func TestEnumsOfTheDocumentAreThoseOfTheCode(t *testing.T) {
	t.Parallel()
	_, model := contract()
	enum := func(name string) []string {
		var out []string
		for _, n := range model.Components.Schemas.GetOrZero(name).Schema().Enum {
			out = append(out, n.Value)
		}
		return out
	}
	if got := enum("Quantity"); !slices.Equal(got, quantityNames()) {
		t.Errorf("quantities %q, want %q", got, quantityNames())
	}
	if got := enum("State"); !slices.Equal(got, stateNames()) {
		t.Errorf("states %q, want %q", got, stateNames())
	}
}
