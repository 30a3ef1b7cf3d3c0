package api

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/go-chi/chi/v5"
	"github.com/pb33f/libopenapi"
	validator "github.com/pb33f/libopenapi-validator"
	v3 "github.com/pb33f/libopenapi/datamodel/high/v3"

	"underkeep/api/viewtest"
)

// document is read once as a stranger would read it: from the bytes that are
// served, by an independent library.
var contract = sync.OnceValues(func() (validator.Validator, *v3.Document) {
	doc, err := libopenapi.NewDocument(mustDocument())
	if err != nil {
		panic(err)
	}
	v, errs := validator.NewValidator(doc)
	if len(errs) > 0 {
		panic(errs[0])
	}
	model, err := doc.BuildV3Model()
	if err != nil {
		panic(err)
	}
	return v, &model.Model
})

// validating serialises use of the validator, whose caches are shared.
var validating sync.Mutex

// rig is one service over one fixed fleet. Whatever it answers is held against
// the OpenAPI document.
type rig struct {
	t      *testing.T
	fleet  *viewtest.Fleet
	server *server
	router *chi.Mux
}

func newRig(t *testing.T, change ...func(*Options)) *rig {
	t.Helper()
	fleet := viewtest.New()
	o := Options{Source: fleet, Now: func() time.Time { return viewtest.Now }}
	for _, f := range change {
		f(&o)
	}
	s := newServer(o)
	return &rig{t: t, fleet: fleet, server: s, router: s.routes()}
}

// request of a test; the zero Method is GET.
type request struct {
	method, path, token, body string
	header                    map[string]string
}

func (q request) build() *http.Request {
	r := httptest.NewRequest(orGet(q.method), "http://127.0.0.1:8080"+q.path, strings.NewReader(q.body))
	if q.token != "" {
		r.Header.Set("Authorization", "Bearer "+q.token)
	}
	if q.body != "" {
		r.Header.Set("Content-Type", "application/json")
	}
	for k, v := range q.header {
		r.Header.Set(k, v)
	}
	return r
}

func orGet(method string) string {
	if method == "" {
		return http.MethodGet
	}
	return method
}

// do sends the request and holds the response against the document.
func (g *rig) do(q request) *http.Response {
	g.t.Helper()
	w, r := recorded(q)
	g.router.ServeHTTP(w, r)
	res := w.Result()
	body := w.Body.Bytes()
	g.validate(q, res, body)
	res.Body = io.NopCloser(bytes.NewReader(body))
	return res
}

// oneFlush is a client that hangs up on a stream once it has heard of it.
type oneFlush struct {
	*httptest.ResponseRecorder
	hangUp context.CancelFunc
}

func (w oneFlush) Flush() {
	w.ResponseRecorder.Flush()
	w.hangUp()
}

func recorded(q request) (oneFlush, *http.Request) {
	r := q.build()
	ctx, cancel := context.WithCancel(r.Context())
	return oneFlush{httptest.NewRecorder(), cancel}, r.WithContext(ctx)
}

func (g *rig) validate(q request, res *http.Response, body []byte) {
	g.t.Helper()
	if res.StatusCode == http.StatusNotModified {
		if len(body) > 0 {
			g.t.Errorf("%s %s: a 304 with a body", q.method, q.path)
		}
		return
	}
	if res.Header.Get("Content-Type") == ndjson { // the document has the schema of a line
		for line := range bytes.Lines(body) {
			one := *res
			one.Header = res.Header.Clone()
			one.Header.Set("Content-Type", ndjson+"; a=line")
			g.validate(q, &one, line)
		}
		return
	}
	v, _ := contract()
	validating.Lock()
	defer validating.Unlock()
	copied := *res
	copied.Body = io.NopCloser(bytes.NewReader(body))
	if ok, errs := v.ValidateHttpResponse(q.build(), &copied); !ok {
		for _, err := range errs {
			g.t.Errorf("%s %s -> %d: %s: %s %v\n%s", orGet(q.method), q.path, res.StatusCode, err.Message, err.Reason, err.SchemaValidationErrors, body)
		}
	}
}

// outside sends a request that the document does not have.
func (g *rig) outside(q request) *http.Response {
	w := httptest.NewRecorder()
	g.router.ServeHTTP(w, q.build())
	return w.Result()
}

// status sends the request and expects the status.
func (g *rig) status(q request, want int) *http.Response {
	g.t.Helper()
	res := g.do(q)
	if res.StatusCode != want {
		body, _ := io.ReadAll(res.Body)
		g.t.Fatalf("%s %s: status %d, want %d: %s", orGet(q.method), q.path, res.StatusCode, want, body)
	}
	return res
}

// into decodes the body of an expected 200.
func (g *rig) into(q request, out any) {
	g.t.Helper()
	res := g.status(q, http.StatusOK)
	if err := json.NewDecoder(res.Body).Decode(out); err != nil {
		g.t.Fatal(err)
	}
}

func asManager(path string) request { return request{path: path, token: viewtest.ManagerToken} }
