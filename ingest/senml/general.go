package senml

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"github.com/go-json-experiment/json/jsontext"
)

// general reads any JSON text. It is strict where RFC 8259 leaves a choice:
// repeated labels and invalid UTF-8 are errors, since two readers could
// understand them differently.
func (d *Decoder) general(payload []byte) error {
	g := reader{dec: jsontext.NewDecoder(bytes.NewBuffer(payload)), depth: d.limits.Depth}
	if kind, err := g.token(); err != nil || kind != '[' {
		return g.syntax(err, "a pack is an array")
	}
	index := 0
	for g.dec.PeekKind() != ']' {
		var f fields
		if err := g.record(&f, index); err != nil {
			return err
		}
		if err := d.add(&f, index); err != nil {
			return err
		}
		index++
	}
	if _, err := g.token(); err != nil {
		return g.syntax(err, "")
	}
	if _, err := g.dec.ReadToken(); !errors.Is(err, io.EOF) {
		return g.syntax(err, "something follows the pack")
	}
	if index == 0 {
		return fmt.Errorf("%w: no records", ErrSyntax)
	}
	return nil
}

type reader struct {
	dec   *jsontext.Decoder
	depth int
}

func (g *reader) token() (jsontext.Kind, error) {
	t, err := g.dec.ReadToken()
	if err != nil {
		return 0, err
	}
	return t.Kind(), nil
}

// syntax wraps what the JSON reader said, or else says what was expected.
func (g *reader) syntax(err error, expected string) error {
	if err == nil {
		return fmt.Errorf("%w: %s (byte %d)", ErrSyntax, expected, g.dec.InputOffset())
	}
	if errors.Is(err, io.EOF) {
		err = io.ErrUnexpectedEOF
	}
	// The reader quotes its input; one line of bounded length is enough.
	msg := strings.ToValidUTF8(err.Error(), "?")
	if len(msg) > 200 {
		msg = strings.ToValidUTF8(msg[:200], "") + "..."
	}
	return fmt.Errorf("%w: %s", ErrSyntax, msg)
}

func (g *reader) record(f *fields, index int) error {
	if kind, err := g.token(); err != nil || kind != '{' {
		return g.syntax(err, "a record is an object")
	}
	for {
		t, err := g.dec.ReadToken()
		if err != nil {
			return g.syntax(err, "")
		}
		if t.Kind() == '}' {
			return nil
		}
		if err := g.field(f, t.String(), index); err != nil {
			return err
		}
	}
}

func (g *reader) field(f *fields, name string, index int) error {
	l, known := labels[name]
	if !known {
		if strings.HasSuffix(name, "_") {
			return fmt.Errorf("%w: %.40q of record %d", ErrMustUnderstand, name, index)
		}
		return g.skip()
	}
	f.seen |= l.bit()
	problem, err := g.value(f, l)
	if err != nil {
		return err
	}
	if problem == OK {
		return nil
	}
	if l.bit()&baseBits != 0 {
		return fmt.Errorf("%w: base field %s of record %d: %s", ErrSyntax, name, index, problem)
	}
	if f.problem == OK {
		f.problem = problem
	}
	return nil
}

// value reads the value of a known label into its place.
func (g *reader) value(f *fields, l label) (Problem, error) {
	kind := g.dec.PeekKind()
	switch num, text := f.number(l), f.text(l); {
	case num != nil && kind == '0':
		raw, err := g.dec.ReadValue()
		if err != nil {
			return OK, g.syntax(err, "")
		}
		v, err := strconv.ParseFloat(string(raw), 64)
		if err != nil { // the grammar holds, so only the range can be wrong
			return NotFinite, nil
		}
		*num = v
		return OK, nil
	case text != nil && kind == '"':
		t, err := g.dec.ReadToken()
		if err != nil {
			return OK, g.syntax(err, "")
		}
		*text = t.String()
		return OK, nil
	case l == lBool && (kind == 't' || kind == 'f'):
		t, err := g.dec.ReadToken()
		if err != nil {
			return OK, g.syntax(err, "")
		}
		f.vb = t.Bool()
		return OK, nil
	}
	return WrongType, g.skip()
}

// skip passes over one value without keeping it, however long, but not however
// deep.
func (g *reader) skip() error {
	level := g.dec.StackDepth()
	for {
		kind, err := g.token()
		if err != nil {
			return g.syntax(err, "")
		}
		depth := g.dec.StackDepth()
		if depth > level+g.depth {
			return fmt.Errorf("%w: nested deeper than %d (byte %d)", ErrSyntax, g.depth, g.dec.InputOffset())
		}
		if depth <= level && kind != '{' && kind != '[' {
			return nil
		}
	}
}
