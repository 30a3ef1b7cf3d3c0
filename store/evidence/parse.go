package evidence

import (
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"underkeep/store/site"
)

// ErrNotCanonical: the text says something that would have been written
// otherwise. Only one text stands for a record, so that its hash does too.
var ErrNotCanonical = errors.New("not the canonical text")

// ParseDay reads the canonical text of a record and refuses any other: what
// comes out gives the same bytes again.
func ParseDay(text []byte) (*Day, error) {
	d, err := parseText(text, true)
	if err != nil {
		return nil, err
	}
	if err := d.check(); err != nil {
		return nil, err
	}
	again := d.appendText(make([]byte, 0, len(text)+64), true)
	if !bytes.Equal(again, text) {
		at := firstDifference(again, text)
		return nil, fmt.Errorf("line %d of the record of %s, %s: %w", 1+bytes.Count(text[:at], []byte("\n")), d.Property, d.Date, ErrNotCanonical)
	}
	return d, nil
}

func firstDifference(a, b []byte) int {
	n := min(len(a), len(b))
	for i := range n {
		if a[i] != b[i] {
			return i
		}
	}
	return n
}

// reader takes a text apart line by line. The first error stays, with its line.
type reader struct {
	text []byte
	line int
	err  error
	rows bool // the text has the rows of readings
}

func parseText(text []byte, rows bool) (*Day, error) {
	if len(text) > MaxText {
		return nil, fmt.Errorf("a record of %d bytes", len(text))
	}
	r := &reader{text: text, rows: rows}
	d := &Day{}
	r.head(d)
	r.body(d)
	if r.err == nil && len(r.text) > 0 {
		r.fail("text goes on behind the end")
	}
	if r.err != nil {
		return nil, r.err
	}
	return d, nil
}

func (r *reader) fail(format string, args ...any) {
	if r.err == nil {
		r.err = fmt.Errorf("line %d of a sealed day: %w", r.line, fmt.Errorf(format, args...))
	}
}

// next is the next line without its end; nil once something failed.
func (r *reader) next() []byte {
	if r.err != nil {
		return nil
	}
	r.line++
	i := bytes.IndexByte(r.text, '\n')
	if i < 0 {
		r.fail("it ends in the middle")
		return nil
	}
	line := r.text[:i]
	r.text = r.text[i+1:]
	return line
}

// after is what follows word on the next line.
func (r *reader) after(word string) string {
	line := string(r.next())
	rest, ok := strings.CutPrefix(line, word+" ")
	if !ok {
		r.fail("want %q, have %q", word, clip(line))
	}
	return rest
}

func (r *reader) number(s string) int {
	n, err := strconv.ParseInt(s, 10, 32)
	if err != nil || n < 0 {
		r.fail("count %q", clip(s))
		return 0
	}
	return int(n)
}

// count reads how many lines follow; each has at least one byte and its end.
func (r *reader) count(s string) int {
	n := r.number(s)
	if 2*n > len(r.text) {
		r.fail("%d lines are announced, and less text is left", n)
		return 0
	}
	return n
}

func (r *reader) instant(s string) time.Time {
	t, err := parseInstant(s)
	if err != nil {
		r.fail("%w", err)
	}
	return t
}

func (r *reader) hash(s string) (h [32]byte) {
	if n, err := hex.Decode(h[:], []byte(s)[:min(len(s), 64)]); err != nil || n != 32 || len(s) != 64 {
		r.fail("%q is no SHA-256 in hexadecimal", clip(s))
	}
	return h
}

func (r *reader) head(d *Day) {
	if line := r.next(); string(line) != firstLine {
		r.fail("want %q, have %q", firstLine, clip(string(line)))
	}
	d.Property = r.after("property")
	date, err := site.ParseDate(r.after("date"))
	if err != nil {
		r.fail("%w", err)
	}
	d.Date, d.Zone = date, r.after("zone")
	d.From, d.To = r.instant(r.after("from")), r.instant(r.after("to"))
	seconds := r.number(r.after("seal-delay"))
	d.SealDelay = time.Duration(seconds) * time.Second
	record := r.after("record")
	if number, ok := strings.CutPrefix(record, "amendment "); ok {
		number, d.Unwitnessed = strings.CutSuffix(number, " unwitnessed")
		d.Amendment = r.number(number)
	} else if record != "day" {
		r.fail("record %q", clip(record))
	}
	if previous := r.after("previous"); previous != "none" {
		d.Previous = r.hash(previous)
	}
	version, sum, _ := strings.Cut(r.after("description"), " sha256 ")
	d.Description = Description{Version: r.number(version), SHA256: r.hash(sum)}
}

func (r *reader) body(d *Day) {
	for r.err == nil {
		line := string(r.next())
		if rest, ok := strings.CutPrefix(line, "readings "); ok {
			d.Blocks = append(d.Blocks, r.block(rest, d.From.UnixMicro()))
			continue
		}
		rest, ok := strings.CutPrefix(line, "contacts ")
		if !ok {
			r.fail("want readings or contacts, have %q", clip(line))
		}
		r.contacts(d, r.count(rest))
		break
	}
	r.deaf(d, r.count(r.after("deaf")))
	for range r.count(r.after("quarantine")) {
		reason, n, _ := strings.Cut(string(r.next()), " ")
		d.Quarantine = append(d.Quarantine, Refused{Reason: reason, Count: r.number(n)})
	}
	for range r.count(r.after("journal")) {
		if r.err != nil {
			return
		}
		d.Journal = append(d.Journal, r.journal(string(r.next()), d.From))
	}
	r.sections(d)
}

func (r *reader) sections(d *Day) {
	for r.err == nil {
		line := string(r.next())
		if line == "end" {
			return
		}
		rest, ok := strings.CutPrefix(line, "section ")
		name, n, found := strings.Cut(rest, " ")
		if !ok || !found {
			r.fail("want a section or the end, have %q", clip(line))
			return
		}
		s := Section{Name: name}
		for range r.count(n) {
			s.Lines = append(s.Lines, string(r.next()))
		}
		d.Sections = append(d.Sections, s)
	}
}

// block reads "COUNT point NAME gateway NAME", the line of columns and the rows.
func (r *reader) block(rest string, from int64) Block {
	f := strings.Split(rest, " ")
	if len(f) != 5 || f[1] != "point" || f[3] != "gateway" {
		r.fail("readings %q", clip(rest))
		return Block{}
	}
	n := r.number(f[0])
	if n > maxRows || r.rows && 2*n > len(r.text) {
		r.fail("%d rows", n)
		return Block{}
	}
	b := Block{Point: f[2], Gateway: f[4]}
	for _, name := range strings.Split(r.after("time received"), " ") {
		name, _, _ = strings.Cut(name, "[")
		q, ok := site.ParseQuantity(name)
		if !ok {
			r.fail("column %q", clip(name))
			return Block{}
		}
		b.Quantities = append(b.Quantities, q)
	}
	if !r.rows {
		b.At = make([]int64, n)
		return b
	}
	b.At, b.Received, b.Values = make([]int64, n), make([]int64, n), make([][]float64, len(b.Quantities))
	for q := range b.Values {
		b.Values[q] = make([]float64, n)
	}
	for row := range n {
		if !r.row(&b, row, from) {
			return Block{}
		}
	}
	return b
}

func (r *reader) row(b *Block, row int, from int64) bool {
	line := r.next()
	field, rest, _ := bytes.Cut(line, space)
	if n := len(field); n > 0 && field[n-1] == 'r' {
		if b.AtReceipt == nil {
			b.AtReceipt = make([]bool, len(b.At))
		}
		b.AtReceipt[row], field = true, field[:n-1]
	}
	at, err := parseOffset(field)
	if err != nil {
		r.fail("time %q: %w", clip(string(field)), err)
		return false
	}
	field, rest, more := bytes.Cut(rest, space)
	delay, err := parseDelay(field)
	if err != nil {
		r.fail("receipt %q: %w", clip(string(field)), err)
		return false
	}
	b.At[row] = from + at
	b.Received[row] = b.At[row] + delay
	for q := range b.Values {
		if !more {
			r.fail("%d values are missing", len(b.Values)-q)
			return false
		}
		field, rest, more = bytes.Cut(rest, space)
		if len(field) == 1 && field[0] == '-' {
			b.Values[q][row] = math.NaN()
		} else if b.Values[q][row], err = parseValue(field); err != nil {
			r.fail("value: %w", err)
			return false
		}
	}
	if more {
		r.fail("too many values")
	}
	return r.err == nil
}

var space = []byte(" ")

func (r *reader) offset(s string, from time.Time) time.Time {
	µs, err := parseOffset([]byte(s))
	if err != nil {
		r.fail("time %q: %w", clip(s), err)
	}
	return from.Add(time.Duration(µs) * time.Microsecond)
}

func (r *reader) contacts(d *Day, n int) {
	for range n {
		f := strings.Split(string(r.next()), " ")
		if len(f) != 3 {
			r.fail("contact %q", clip(strings.Join(f, " ")))
			return
		}
		d.Contacts = append(d.Contacts, Contact{At: r.offset(f[0], d.From), Gateway: f[1], Presence: f[2]})
	}
}

func (r *reader) deaf(d *Day, n int) {
	for range n {
		from, to, _ := strings.Cut(string(r.next()), " ")
		d.Deaf = append(d.Deaf, Span{r.offset(from, d.From), r.offset(to, d.From)})
	}
}

// journal takes apart what JournalEntry.appendText writes; its last field is
// free text.
func (r *reader) journal(line string, from time.Time) (e JournalEntry) {
	f := strings.SplitN(line, " ", 25)
	words := map[int]string{1: "alarm", 5: "point", 7: "priority", 9: "raised", 11: "known", 13: "cleared", 15: "withdrawn",
		17: "suppressed-by", 19: "causes", 21: "by", 23: "why"}
	for i, w := range words {
		if len(f) != 25 || f[i] != w {
			r.fail("journal entry %q", clip(line))
			return e
		}
	}
	dash := func(s string) string {
		if s == "-" {
			return ""
		}
		return s
	}
	e = JournalEntry{
		At: r.offset(f[0], from), Alarm: r.number(f[2]), Kind: f[3], Condition: f[4], Point: dash(f[6]), Priority: f[8],
		RaisedAt: r.instant(f[10]), KnownAt: r.instant(f[12]), ClearedAt: r.instant(f[14]), WithdrawnAt: r.instant(f[16]),
		SuppressedBy: dash(f[18]), By: f[22], Why: dash(f[24]),
	}
	if f[20] != "-" {
		e.Causes = strings.Split(f[20], ",")
	}
	return e
}
