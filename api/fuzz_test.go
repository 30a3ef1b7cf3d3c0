package api

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	yaml "github.com/pb33f/go-yaml"
	"github.com/pb33f/libopenapi/datamodel/high/base"
	v3 "github.com/pb33f/libopenapi/datamodel/high/v3"
	"pgregory.net/rapid"

	"underkeep/api/viewtest"
)

// operation is one operation of the document, as a stranger reads it.
type operation struct {
	method, path string
	op           *v3.Operation
	params       []*v3.Parameter // those of its path too
}

func operations() []operation {
	_, model := contract()
	var out []operation
	for path, item := range model.Paths.PathItems.FromOldest() {
		for method, op := range item.GetOperations().FromOldest() {
			out = append(out, operation{strings.ToUpper(method), path, op, append(slices.Clone(item.Parameters), op.Parameters...)})
		}
	}
	slices.SortFunc(out, func(a, b operation) int { return strings.Compare(a.path+a.method, b.path+b.method) })
	return out
}

// What a reader of the document needs and its schema does not ask for: each
// operation has a name of its own, a sentence, a tag that the document explains,
// a declared answer to whatever goes wrong, and each parameter in its path.
func TestDocumentIsWhole(t *testing.T) {
	t.Parallel()
	_, model := contract()
	tags := map[string]bool{}
	for _, tag := range model.Tags {
		tags[tag.Name] = tag.Description != ""
	}
	names := map[string]string{}
	for _, o := range operations() {
		at := o.method + " " + o.path
		if other, taken := names[o.op.OperationId]; taken || o.op.OperationId == "" {
			t.Errorf("%s: operationId %q is that of %s", at, o.op.OperationId, other)
		}
		names[o.op.OperationId] = at
		if !strings.HasSuffix(o.op.Summary, ".") {
			t.Errorf("%s: its summary %q is no sentence", at, o.op.Summary)
		}
		if len(o.op.Tags) != 1 || !tags[o.op.Tags[0]] {
			t.Errorf("%s: tags %q, want one that the document explains", at, o.op.Tags)
		}
		secured := o.op.Security == nil || len(o.op.Security) > 0 && !slices.ContainsFunc(o.op.Security, func(s *base.SecurityRequirement) bool { return s.ContainsEmptyRequirement })
		if secured && o.op.Responses.Default == nil {
			t.Errorf("%s: nothing is said of what goes wrong", at)
		}
		for _, p := range o.params {
			if p.In == "path" && !strings.Contains(o.path, "{"+p.Name+"}") {
				t.Errorf("%s: parameter %s is not in the path", at, p.Name)
			}
			if p.Schema == nil {
				t.Errorf("%s: parameter %s has no schema", at, p.Name)
			}
		}
		for _, part := range strings.Split(o.path, "{")[1:] {
			name, _, _ := strings.Cut(part, "}")
			if !slices.ContainsFunc(o.params, func(p *v3.Parameter) bool { return p.In == "path" && p.Name == name }) {
				t.Errorf("%s: {%s} is not described", at, name)
			}
		}
	}
}

// Every example of a body is sent as it stands, to the objects of the fleet of
// the tests: it is held against its schema, and the service does what it asks or
// says that the fleet has no such thing. No example may be called malformed.
func TestEveryExampleIsExercised(t *testing.T) {
	t.Parallel()
	sent := 0
	for _, o := range operations() {
		if o.op.RequestBody == nil {
			continue
		}
		for kind, media := range o.op.RequestBody.Content.FromOldest() {
			for _, example := range examplesOf(media) {
				q := at(o.method+" "+o.path, firstOf(ids(o.method+" "+o.path)))
				q.token, q.body, q.header = viewtest.ManagerToken, exampleText(t, kind, example), map[string]string{"Content-Type": kind}
				g := newRig(t)
				res := g.do(q)
				if res.StatusCode >= 400 && res.StatusCode != http.StatusNotFound && res.StatusCode != http.StatusConflict {
					t.Errorf("%s %s with its example %s: %d %s", o.method, o.path, q.body, res.StatusCode, readAll(res))
				}
				v, _ := contract()
				validating.Lock()
				if ok, errs := v.ValidateHttpRequest(q.build()); !ok && kind == "application/json" {
					t.Errorf("%s %s: its example does not match its schema: %v %s", o.method, o.path, errs[0].Reason, q.body)
				}
				validating.Unlock()
				sent++
			}
		}
	}
	if sent < 10 {
		t.Errorf("only %d examples", sent)
	}
}

func firstOf(own, _, _ string) string { return own }

func examplesOf(m *v3.MediaType) []*yaml.Node {
	var out []*yaml.Node
	if m.Example != nil {
		out = append(out, m.Example)
	}
	if m.Examples != nil {
		for _, e := range m.Examples.FromOldest() {
			if e.Value != nil {
				out = append(out, e.Value)
			}
		}
	}
	return out
}

func exampleText(t *testing.T, kind string, node *yaml.Node) string {
	t.Helper()
	var v any
	if err := node.Decode(&v); err != nil {
		t.Fatal(err)
	}
	if text, ok := v.(string); ok && kind != "application/json" {
		return text
	}
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// oddities are what parameters are fuzzed with, beside what the schema allows.
var oddities = []string{"", " ", "%00", "%ff", "%2e%2e%2f", "'", "\"", ";--", "-1", "0", "1e309", "NaN", "9223372036854775808", "true", "null", "heron-07", "rh", "north-bay",
	"2026-07-14T12:00:00Z", "0001-01-01T00:00:00Z", "9999-12-31T23:59:59Z", "2026-02-30", "us", "%F0%9F%92%A7", "{}", "[]", strings.Repeat("a", 300), strings.Repeat("9", 40)}

var bodies = []string{"", "null", "{}", "[]", "{", `"x"`, "0", `{"name":null}`, `{"note":"` + strings.Repeat("x", 5000) + `"}`, `{"property":"heron-07","kind":"repair"}`,
	`{"from":"2026-07-13T12:00:00Z","to":"2026-07-12T12:00:00Z"}`, `{"quantity":"rh","value":1e308}`, `{"quantity":"rh","value":-1e308,"at":"0001-01-01T00:00:00Z"}`,
	`{"until":"9999-12-31T23:59:59Z"}`, `{"point":"north-bay","salt":"NaCl","temp_c":-1e9,"read_pct":1e9}`, `{"role":"manager","name":"` + "\x00" + `"}`, "\xff\xfe", `{"a":{"a":{"a":{}}}}`,
	strings.Repeat("[", 2000), "property: x\nname: [", "a: &a [*a, *a]"}

// Whatever is asked, by whomever: the service never breaks (5xx), what it refuses
// it refuses with a problem document, and every answer is as the document says.
func TestFuzzedParameters(t *testing.T) {
	t.Parallel()
	all := operations()
	callers := append(slices.Clone(tokens[:]), viewtest.OperatorToken, viewtest.ScopedToken)
	rapid.Check(t, func(t *rapid.T) {
		o := rapid.SampledFrom(all).Draw(t, "operation")
		if strings.HasSuffix(o.path, "/live") { // a stream without an end
			return
		}
		q := drawRequest(t, o)
		q.token = rapid.SampledFrom(callers).Draw(t, "caller")
		checkAnswer(t, o, q)
	})
}

func drawRequest(t *rapid.T, o operation) request {
	value := func(p *v3.Parameter) string {
		allowed := []string{}
		if s := p.Schema.Schema(); s != nil {
			for _, n := range s.Enum {
				allowed = append(allowed, url.QueryEscape(n.Value))
			}
		}
		if own := firstOf(ids(o.method + " " + o.path)); p.In == "path" {
			allowed = append(allowed, own, own, own)
		}
		return rapid.OneOf(rapid.SampledFrom(append(allowed, oddities...)), rapid.Map(rapid.StringN(0, 12, 40), url.PathEscape)).Draw(t, p.Name)
	}
	q := request{method: o.method, path: o.path, header: map[string]string{}}
	query := []string{}
	for _, p := range o.params {
		switch p.In {
		case "path":
			v := value(p)
			if strings.Trim(v, ". ") == "" || strings.ContainsAny(v, " \"'{}[];") {
				v = "heron-07"
			}
			q.path = strings.Replace(q.path, "{"+p.Name+"}", v, 1)
		case "query":
			if rapid.Bool().Draw(t, "with "+p.Name) {
				query = append(query, p.Name+"="+url.QueryEscape(strings.ReplaceAll(value(p), "%", "")))
			}
		case "header":
			if rapid.Bool().Draw(t, "with "+p.Name) {
				q.header[p.Name] = strings.Map(visible, value(p))
			}
		}
	}
	if rapid.IntRange(0, 9).Draw(t, "unknown") == 0 {
		query = append(query, "unheard=of")
	}
	if len(query) > 0 {
		q.path += "?" + strings.Join(query, "&")
	}
	if o.op.RequestBody != nil {
		q.body = rapid.OneOf(rapid.SampledFrom(append(slices.Clone(bodies), at(o.method+" "+o.path, "heron-07").body)), rapid.StringN(0, 40, 200)).Draw(t, "body")
		for kind := range o.op.RequestBody.Content.FromOldest() {
			q.header["Content-Type"] = kind
		}
	}
	return q
}

func visible(r rune) rune {
	if r < ' ' || r > '~' {
		return -1
	}
	return r
}

func checkAnswer(t *rapid.T, o operation, q request) {
	fleet := viewtest.New()
	s := newServer(Options{Source: fleet, Now: viewtestNow})
	w, r := recorded(q)
	s.routes().ServeHTTP(w, r)
	res := w.Result()
	body, _ := io.ReadAll(res.Body)
	if res.StatusCode >= 500 {
		t.Fatalf("%s %s %q: %d %s", q.method, q.path, q.body, res.StatusCode, body)
	}
	kind := res.Header.Get("Content-Type")
	if res.StatusCode >= 400 && (kind != "application/problem+json" || !json.Valid(body)) {
		t.Fatalf("%s %s %q: %d is a %q: %.300s", q.method, q.path, q.body, res.StatusCode, kind, body)
	}
	if res.StatusCode < 300 && kind == "application/json" && !json.Valid(body) {
		t.Fatalf("%s %s: not JSON: %.300s", q.method, q.path, body)
	}
	code := fmt.Sprint(res.StatusCode)
	if res.StatusCode < 300 && o.op.Responses.Codes.GetOrZero(code) == nil {
		t.Fatalf("%s %s: %s is not in the document", q.method, q.path, code)
	}
}

func viewtestNow() time.Time { return viewtest.Now }
