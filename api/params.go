package api

import (
	"encoding/base64"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"underkeep/api/view"
	"underkeep/store/site"
)

var namePattern = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,39}$`)

// params reads query parameters and keeps the first mistake, so that a handler
// checks once.
type params struct {
	values url.Values
	err    error
}

// query refuses parameters that the operation does not have: a misspelt filter
// must not answer as if it had filtered.
func query(r *http.Request, known ...string) *params {
	p := &params{}
	p.values, p.err = url.ParseQuery(r.URL.RawQuery)
	if p.err != nil {
		p.err = badf("query cannot be read: %s", p.err)
	}
	for name, given := range p.values {
		if !slices.Contains(known, name) {
			p.bad("parameter %q is not known here; known: %s", name, strings.Join(known, ", "))
		}
		if len(given) > 1 && name != "state" {
			p.bad("parameter %q is given %d times", name, len(given))
		}
	}
	return p
}

func (p *params) bad(format string, args ...any) {
	if p.err == nil {
		p.err = badf(format, args...)
	}
}

func (p *params) text(name string) string {
	v := p.values.Get(name)
	if len(v) > 80 || strings.ContainsRune(v, 0) {
		p.bad("%s is longer than 80 bytes or not text", name)
	}
	return v
}

func (p *params) name(name string, required bool) string {
	v := p.values.Get(name)
	if v == "" && !required && !p.values.Has(name) {
		return ""
	}
	if !namePattern.MatchString(v) {
		p.bad("%s: a name of a-z, 0-9 and - is needed, at most 40 characters", name)
	}
	return v
}

func (p *params) limit(normal, most int) int {
	v := p.values.Get("limit")
	if v == "" {
		return normal
	}
	n, err := strconv.Atoi(v)
	if err != nil || n < 1 || n > most {
		p.bad("limit: a whole number from 1 to %d is needed", most)
	}
	return n
}

func (p *params) flag(name string) bool {
	switch p.values.Get(name) {
	case "", "false":
	case "true":
		return true
	default:
		p.bad("%s: true or false is needed", name)
	}
	return false
}

// cursor unwraps a position that this API gave out.
func (p *params) cursor() string {
	v := p.values.Get("cursor")
	raw, err := base64.RawURLEncoding.DecodeString(v)
	if err != nil || len(v) > 400 {
		p.bad("cursor is not one that this list gave out")
	}
	return string(raw)
}

// wrap makes a position opaque; nil at the end of the list.
func wrap(position string) *string {
	if position == "" {
		return nil
	}
	text := base64.RawURLEncoding.EncodeToString([]byte(position))
	return &text
}

// timeOr reads an RFC 3339 time.
func (p *params) timeOr(name string, otherwise time.Time) time.Time {
	v := p.values.Get(name)
	if v == "" {
		return otherwise
	}
	t, err := time.Parse(time.RFC3339Nano, v)
	if err != nil {
		// A plus sign that was not escaped arrives as a space.
		t, err = time.Parse(time.RFC3339Nano, strings.Replace(v, " ", "+", 1))
	}
	if err != nil || t.Year() < 1970 || t.Year() > 9999 {
		p.bad("%s: an RFC 3339 time such as 2026-07-01T00:00:00Z is needed", name)
		return otherwise
	}
	return t
}

func (p *params) quantity(name string) site.Quantity {
	q, ok := site.ParseQuantity(p.values.Get(name))
	if !ok {
		p.bad("%s %q is not one of %s", name, p.values.Get(name), strings.Join(quantityNames(), ", "))
	}
	return q
}

func quantityNames() []string {
	var names []string
	for _, s := range site.Quantities() {
		names = append(names, s.Name)
	}
	return names
}

func (p *params) units() site.UnitSystem {
	u := site.UnitSystem(p.values.Get("units"))
	if u != "" && u != site.US && u != site.SI {
		p.bad("units: us or si is needed")
	}
	return u
}

func (p *params) states() []view.State {
	var out []view.State
	for _, v := range p.values["state"] {
		if !slices.Contains(view.States(), view.State(v)) {
			p.bad("state %q is not one of the states of an alarm", v)
		}
		out = append(out, view.State(v))
	}
	return out
}

// decode reads a JSON body that may be left out. Fields that the document does
// not have are refused.
func decode(w http.ResponseWriter, r *http.Request, into any) error {
	d := json.NewDecoder(http.MaxBytesReader(w, r.Body, maxBody))
	d.DisallowUnknownFields()
	err := d.Decode(into)
	if errors.Is(err, io.EOF) {
		return nil
	}
	var tooLarge *http.MaxBytesError
	if errors.As(err, &tooLarge) {
		return err
	}
	if err != nil {
		return badf("body: %s", err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return badf("body: one JSON value is expected")
	}
	return nil
}
