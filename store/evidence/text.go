package evidence

import (
	"encoding/hex"
	"fmt"
	"math"
	"strconv"
	"time"

	"underkeep/store/site"
)

// firstLine names format and version of a sealed day.
const firstLine = "underkeep sealed day 1"

// AppendText appends the canonical text of d to b. An error says what in d
// cannot be written; b is then as it was.
func (d *Day) AppendText(b []byte) ([]byte, error) {
	if err := d.check(); err != nil {
		return b, err
	}
	return d.appendText(b, true), nil
}

// Text is the canonical text of d.
func (d *Day) Text() ([]byte, error) {
	b, err := d.AppendText(make([]byte, 0, d.textSize()))
	if err != nil {
		return nil, err
	}
	return b, nil
}

// textSize guesses the length of the text, a little too high.
func (d *Day) textSize() int {
	n := 1024 + 60*len(d.Contacts) + 400*len(d.Journal)
	for i := range d.Blocks {
		n += 80 + len(d.Blocks[i].At)*(18+7*len(d.Blocks[i].Values))
	}
	return n
}

// appendText writes d, which has been checked; without rows it writes the frame
// that is left when the readings are kept elsewhere.
func (d *Day) appendText(b []byte, rows bool) []byte {
	b = d.appendHead(b)
	for i := range d.Blocks {
		b = d.Blocks[i].appendText(b, d.From.UnixMicro(), rows)
	}
	b = appendCount(b, "contacts", len(d.Contacts))
	for _, c := range d.Contacts {
		b = appendOffset(b, c.At.Sub(d.From).Microseconds())
		b = append(append(b, ' '), c.Gateway...)
		b = append(append(append(b, ' '), c.Presence...), '\n')
	}
	b = appendCount(b, "deaf", len(d.Deaf))
	for _, s := range d.Deaf {
		b = append(appendOffset(b, s.From.Sub(d.From).Microseconds()), ' ')
		b = append(appendOffset(b, s.To.Sub(d.From).Microseconds()), '\n')
	}
	b = appendCount(b, "quarantine", len(d.Quarantine))
	for _, q := range d.Quarantine {
		b = appendCount(b, q.Reason, q.Count)
	}
	b = appendCount(b, "journal", len(d.Journal))
	for i := range d.Journal {
		b = d.Journal[i].appendText(b, d.From)
	}
	for _, s := range d.Sections {
		b = appendCount(b, "section "+s.Name, len(s.Lines))
		for _, line := range s.Lines {
			b = append(append(b, line...), '\n')
		}
	}
	return append(b, "end\n"...)
}

func appendCount(b []byte, what string, n int) []byte {
	b = append(append(b, what...), ' ')
	return append(strconv.AppendInt(b, int64(n), 10), '\n')
}

func (d *Day) appendHead(b []byte) []byte {
	record := "day"
	if d.Amendment > 0 {
		record = fmt.Sprintf("amendment %d", d.Amendment)
	}
	if d.Unwitnessed {
		record += " unwitnessed"
	}
	previous := "none"
	if d.Previous != [32]byte{} {
		previous = hex.EncodeToString(d.Previous[:])
	}
	return fmt.Appendf(b, "%s\nproperty %s\ndate %s\nzone %s\nfrom %s\nto %s\nseal-delay %d\nrecord %s\nprevious %s\ndescription %d sha256 %x\n",
		firstLine, d.Property, d.Date, d.Zone, d.From.UTC().Format(time.RFC3339), d.To.UTC().Format(time.RFC3339),
		int64(d.SealDelay/time.Second), record, previous, d.Description.Version, d.Description.SHA256)
}

// appendText writes the readings of one point: a line that names it, one that
// names the columns, and a line for each time.
func (b *Block) appendText(out []byte, from int64, rows bool) []byte {
	out = fmt.Appendf(out, "readings %d point %s gateway %s\ntime received", len(b.At), b.Point, b.Gateway)
	for _, q := range b.Quantities {
		out = append(append(out, ' '), columnName(q)...)
	}
	out = append(out, '\n')
	if !rows {
		return out
	}
	for row, at := range b.At {
		out = appendOffset(out, at-from)
		if b.AtReceipt != nil && b.AtReceipt[row] {
			out = append(out, 'r')
		}
		out = appendDelay(append(out, ' '), b.Received[row]-at)
		for q := range b.Values {
			out = append(out, ' ')
			if v := b.Values[q][row]; math.IsNaN(v) {
				out = append(out, '-')
			} else {
				out = appendValue(out, v)
			}
		}
		out = append(out, '\n')
	}
	return out
}

// columnName is quantity and unit, such as air-temp[Cel]; what is only ever 0
// or 1 has no unit.
func columnName(q site.Quantity) string {
	spec := q.Spec()
	if spec.Boolean {
		return spec.Name
	}
	return spec.Name + "[" + spec.Units[0] + "]"
}

func (e *JournalEntry) appendText(b []byte, from time.Time) []byte {
	dash := func(s string) string {
		if s == "" {
			return "-"
		}
		return s
	}
	b = appendOffset(b, e.At.Sub(from).Microseconds())
	b = fmt.Appendf(b, " alarm %d %s %s point %s priority %s raised ", e.Alarm, e.Kind, e.Condition, dash(e.Point), e.Priority)
	b = append(appendInstant(b, e.RaisedAt), " known "...)
	b = append(appendInstant(b, e.KnownAt), " cleared "...)
	b = append(appendInstant(b, e.ClearedAt), " withdrawn "...)
	b = appendInstant(b, e.WithdrawnAt)
	b = append(append(b, " suppressed-by "...), dash(e.SuppressedBy)...)
	b = append(b, " causes "...)
	for i, c := range e.Causes {
		if i > 0 {
			b = append(b, ',')
		}
		b = append(b, c...)
	}
	if len(e.Causes) == 0 {
		b = append(b, '-')
	}
	b = append(append(b, " by "...), e.By...)
	b = append(append(b, " why "...), dash(e.Why)...)
	return append(b, '\n')
}
