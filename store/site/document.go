package site

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// Bounds on outside input. The YAML library's time grows with the square of the
// entries of a mapping and of the blank lines in a row (40,000 of them take it a
// minute), its stack with the nesting; so all are bounded before it runs. A
// house with 500 points stays below.
const (
	// MaxFileBytes is the largest property or limits file that is read.
	MaxFileBytes = 512 << 10
	maxLines     = 20_000
	maxBlank     = 100 // in a row
	maxTokens    = 20_000
	maxNesting   = 16
)

// documents parses YAML into the bodies of its documents. Anchors, aliases,
// merge keys, tags and directives are refused: a property file says each thing
// where it stands.
func documents(data []byte, p *problems) []ast.Node {
	if len(data) > MaxFileBytes {
		p.add(1, "", "the file has %d bytes; at most %d are read", len(data), MaxFileBytes)
		return nil
	}
	if !utf8.Valid(data) {
		p.add(1+bytes.Count(validPrefix(data), []byte{'\n'}), "", "not UTF-8 text")
		return nil
	}
	if !checkLines(data, p) {
		return nil
	}
	file, err := parseYAML(data, p)
	if err != nil {
		addSyntaxError(err, p)
		return nil
	}
	if file == nil {
		return nil
	}
	var bodies []ast.Node
	for _, d := range file.Docs {
		if d.Body != nil && d.Body.Type() != ast.NullType {
			bodies = append(bodies, d.Body)
		}
	}
	return bodies
}

// checkLines refuses text that is long or empty beyond reason.
func checkLines(data []byte, p *problems) bool {
	line, blank := 0, 0
	for text := range bytes.Lines(data) {
		line++
		blank++
		if len(bytes.TrimSpace(text)) > 0 {
			blank = 0
		}
		switch {
		case bytes.ContainsRune(bytes.TrimSuffix(text, []byte("\r\n")), '\r'):
			p.add(line, "", "a carriage return without line feed")
			return false
		case line > maxLines:
			p.add(line, "", "the file is too long: more than %d lines", maxLines)
			return false
		case blank > maxBlank:
			p.add(line, "", "more than %d blank lines in a row", maxBlank)
			return false
		}
	}
	return true
}

func validPrefix(data []byte) []byte {
	i := 0
	for i < len(data) {
		r, n := utf8.DecodeRune(data[i:])
		if r == utf8.RuneError && n == 1 {
			break
		}
		i += n
	}
	return data[:i]
}

// parseYAML runs the library on checked tokens. A panic inside the library on
// some malformed text becomes an error: the text comes from outside.
func parseYAML(data []byte, p *problems) (file *ast.File, err error) {
	defer func() {
		if r := recover(); r != nil {
			file, err = nil, fmt.Errorf("not readable as YAML (%v)", r)
		}
	}()
	text := strings.TrimPrefix(string(data), "\ufeff")
	tokens := lexer.Tokenize(text)
	if !checkTokens(tokens, p) {
		return nil, nil
	}
	return parser.Parse(tokens, 0, parser.AllowDuplicateMapKey())
}

func addSyntaxError(err error, p *problems) {
	var syntax yaml.Error
	if errors.As(err, &syntax) && syntax.GetToken() != nil {
		p.add(syntax.GetToken().Position.Line, "", "not YAML: %s", syntax.GetMessage())
		return
	}
	p.add(1, "", "not YAML: %v", err)
}

// refusedTokens are YAML features that hide what a file says or let it expand.
var refusedTokens = map[token.Type]string{
	token.AnchorType:     "anchors (&name) are",
	token.AliasType:      "aliases (*name) are",
	token.MergeKeyType:   "merge keys (<<) are",
	token.TagType:        "tags (!name) are",
	token.DirectiveType:  "directives (%NAME) are",
	token.MappingKeyType: "complex keys (?) are",
}

// checkTokens refuses what must not reach the parser and says why.
func checkTokens(tokens token.Tokens, p *problems) bool {
	if len(tokens) > maxTokens {
		p.add(1, "", "the file is too long: more than %d words and marks", maxTokens)
		return false
	}
	ok := true
	var depth nesting
	for _, tk := range tokens {
		if what, refused := refusedTokens[tk.Type]; refused {
			p.add(tk.Position.Line, "", "%s not used in property files; write the value itself", what)
			ok = false
		}
		if depth.enter(tk) > maxNesting {
			p.add(tk.Position.Line, "", "nested deeper than %d levels", maxNesting)
			return false
		}
	}
	return ok
}

// nesting follows how deep flow collections and block indentation go.
type nesting struct {
	flow    int
	columns []int // of the open block entries, ascending
}

func (n *nesting) enter(tk *token.Token) int {
	switch tk.Type {
	case token.SequenceStartType, token.MappingStartType:
		n.flow++
	case token.SequenceEndType, token.MappingEndType:
		n.flow = max(0, n.flow-1)
	case token.SequenceEntryType:
		n.block(tk.Position.Column)
	case token.MappingValueType:
		if n.flow == 0 && tk.Prev != nil {
			n.block(tk.Prev.Position.Column)
		}
	}
	return n.flow + len(n.columns)
}

func (n *nesting) block(column int) {
	for len(n.columns) > 0 && n.columns[len(n.columns)-1] >= column {
		n.columns = n.columns[:len(n.columns)-1]
	}
	n.columns = append(n.columns, column)
}
