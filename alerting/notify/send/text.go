package send

import (
	"bytes"
	"context"
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"text/template"
	"time"

	"github.com/goccy/go-yaml"

	"underkeep/ingest/guarded"
)

// Text is one text message to one number.
type Text struct {
	ID, To, Text string
}

// Gateway hands text messages to a provider's HTTP interface, as a template says.
type Gateway struct {
	method    string
	url, body *template.Template
	headers   map[string]string
	client    *http.Client
	now       func() time.Time
}

// gatewayFile is the file that describes a provider:
//
//	url: https://sms.example.net/v1/messages
//	method: POST
//	headers: {Content-Type: application/json, Authorization: Bearer …}
//	body: '{"to": {{json .To}}, "text": {{json .Text}}, "reference": {{json .ID}}}'
type gatewayFile struct {
	URL      string            `yaml:"url"`
	Method   string            `yaml:"method"`
	Headers  map[string]string `yaml:"headers"`
	Body     string            `yaml:"body"`
	Loopback bool              `yaml:"loopback"` // the provider's program runs on this machine
}

// raw is a value that a template must escape; left as it is it shows.
type raw string

const unescaped = "\x00unescaped\x00"

// String gives a template away that does not escape.
func (raw) String() string { return unescaped }

var escapes = template.FuncMap{
	"json": func(v raw) (string, error) {
		b, err := json.Marshal(string(v))
		return string(b), err
	},
	"form": func(v raw) string { return url.QueryEscape(string(v)) },
	"xml": func(v raw) (string, error) {
		var b strings.Builder
		err := xml.EscapeText(&b, []byte(v))
		return b.String(), err
	},
	"digits": func(v raw) string { return strings.TrimPrefix(url.QueryEscape(string(v)), "%2B") },
}

// NewGateway reads the description of a provider.
func NewGateway(file []byte, now func() time.Time) (*Gateway, error) {
	var f gatewayFile
	if err := yaml.NewDecoder(bytes.NewReader(file), yaml.Strict()).Decode(&f); err != nil {
		return nil, fmt.Errorf("text gateway: %s", yaml.FormatError(err, false, false))
	}
	g := &Gateway{method: strings.ToUpper(f.Method), headers: f.Headers, now: now,
		client: guarded.Client(guarded.Options{Loopback: f.Loopback, Timeout: hookTimeout})}
	if g.method == "" {
		g.method = http.MethodPost
	}
	var err error
	if g.url, err = template.New("url").Funcs(escapes).Option("missingkey=error").Parse(f.URL); err != nil {
		return nil, fmt.Errorf("text gateway: %w", err)
	}
	if g.body, err = template.New("body").Funcs(escapes).Option("missingkey=error").Parse(f.Body); err != nil {
		return nil, fmt.Errorf("text gateway: %w", err)
	}
	for name, v := range f.Headers {
		if strings.ContainsAny(name+v, "\r\n\x00") {
			return nil, fmt.Errorf("text gateway: header %q holds a line break", name)
		}
	}
	probe := &Text{ID: "probe", To: "+15550100200", Text: "a \"b\" <c> & d\n"}
	req, err := g.request(context.Background(), probe)
	if err != nil {
		return nil, err
	}
	return g, CheckURL(req.URL.String(), f.Loopback)
}

// request fills the templates in.
func (g *Gateway) request(ctx context.Context, t *Text) (*http.Request, error) {
	values := map[string]raw{"ID": raw(t.ID), "To": raw(t.To), "Text": raw(t.Text)}
	var address, body bytes.Buffer
	for into, tmpl := range map[*bytes.Buffer]*template.Template{&address: g.url, &body: g.body} {
		if err := tmpl.Execute(into, values); err != nil {
			return nil, fmt.Errorf("text gateway: %w", err)
		}
		if strings.Contains(into.String(), unescaped) {
			return nil, fmt.Errorf("text gateway: its %s uses a value as it is; escape it: {{json .Text}}, {{form .To}} or {{xml .Text}}", tmpl.Name())
		}
	}
	req, err := http.NewRequestWithContext(ctx, g.method, address.String(), bytes.NewReader(body.Bytes()))
	if err != nil {
		return nil, errors.New("text gateway: its method or url cannot be used")
	}
	for name, v := range g.headers {
		req.Header.Set(name, v)
	}
	return req, nil
}

// Send hands one text message over.
func (g *Gateway) Send(ctx context.Context, t *Text) Result {
	req, err := g.request(ctx, t)
	if err != nil {
		return refused("%v", err)
	}
	r := exchange(g.client, req, g.now)
	if r.Kind == Gone { // no recipient can be gone for all others
		r.Kind = Refused
	}
	return r
}
