package evidence

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"underkeep/store/site"
)

// Limits of what one record may hold; far beyond any house.
const (
	// MaxText is the longest text of one record.
	MaxText     = 64 << 20
	maxRows     = 2_000_000
	maxPoints   = 10_000
	maxLine     = 8192
	longestDay  = 26 * time.Hour
	shortestDay = 20 * time.Hour
)

var (
	nameForm    = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,39}$`)
	wordForm    = regexp.MustCompile(`^[a-z][a-z0-9-]{0,39}$`)
	zoneForm    = regexp.MustCompile(`^[A-Za-z0-9_+/-]{1,64}$`)
	actorForm   = regexp.MustCompile(`^([a-z][a-z0-9-]{0,39}|person:[0-9a-f]{64})$`)
	priorities  = []string{"low", "medium", "high", "urgent"}
	presences   = []string{"message", "online", "offline"}
	microsecond = int64(time.Microsecond)
)

// check says what keeps a record from being written: there is one way only to
// write a day, and this is where the order of everything is fixed.
func (d *Day) check() error {
	for _, part := range []func() error{d.checkHead, d.checkBlocks, d.checkContacts, d.checkDeaf, d.checkQuarantine, d.checkJournal, d.checkSections} {
		if err := part(); err != nil {
			return fmt.Errorf("record of %s, %s: %w", clip(d.Property), d.Date, err)
		}
	}
	return nil
}

func (d *Day) checkHead() error {
	length := d.To.Sub(d.From)
	switch {
	case !nameForm.MatchString(d.Property):
		return fmt.Errorf("property %q", clip(d.Property))
	case d.Date.Year < 1990 || d.Date.Year > 2199:
		return fmt.Errorf("date %s", d.Date)
	case !zoneForm.MatchString(d.Zone):
		return fmt.Errorf("zone %q", clip(d.Zone))
	case length < shortestDay || length > longestDay || d.From.Nanosecond() != 0 || d.To.Nanosecond() != 0:
		return fmt.Errorf("a day from %s to %s", d.From, d.To)
	case d.From.Sub(d.Date.In(time.UTC)).Abs() > 16*time.Hour:
		return fmt.Errorf("it begins at %s", d.From)
	case d.SealDelay < 0 || d.SealDelay > 1000*24*time.Hour || d.SealDelay%time.Second != 0:
		return fmt.Errorf("seal delay %s", d.SealDelay)
	case d.Amendment < 0 || d.Amendment > math.MaxInt16 || d.Amendment == 0 && d.Unwitnessed:
		return fmt.Errorf("amendment %d, unwitnessed %t", d.Amendment, d.Unwitnessed)
	case d.Amendment > 0 && d.Previous == [32]byte{}:
		return fmt.Errorf("amendment %d follows on nothing", d.Amendment)
	case d.Description.Version < 1 || d.Description.Version > math.MaxInt32:
		return fmt.Errorf("description version %d", d.Description.Version)
	}
	return nil
}

func (d *Day) checkBlocks() error {
	if len(d.Blocks) > maxPoints {
		return fmt.Errorf("%d blocks of readings", len(d.Blocks))
	}
	seen := seriesTimes{}
	for i := range d.Blocks {
		b := &d.Blocks[i]
		if i > 0 && !b.after(&d.Blocks[i-1]) {
			return fmt.Errorf("readings of %s by %s are out of order", b.Point, b.Gateway)
		}
		if err := b.check(d); err != nil {
			return fmt.Errorf("readings of %s by %s: %w", clip(b.Point), clip(b.Gateway), err)
		}
		// One point by one gateway cannot clash with itself.
		if shared := i > 0 && d.Blocks[i-1].Point == b.Point || i+1 < len(d.Blocks) && d.Blocks[i+1].Point == b.Point; shared {
			if err := seen.add(b); err != nil {
				return err
			}
		}
	}
	return nil
}

// seriesTimes finds two readings of one series at one time that came by two
// gateways.
type seriesTimes map[seriesTime]bool

type seriesTime struct {
	point    string
	quantity site.Quantity
	at       int64
}

func (s seriesTimes) add(b *Block) error {
	for q, values := range b.Values {
		for row, v := range values {
			k := seriesTime{b.Point, b.Quantities[q], b.At[row]}
			if math.IsNaN(v) {
				continue
			}
			if s[k] {
				return fmt.Errorf("two values of %s at %s, %s", k.quantity, k.point, time.UnixMicro(k.at).UTC())
			}
			s[k] = true
		}
	}
	return nil
}

func (b *Block) after(o *Block) bool {
	if b.Point != o.Point {
		return b.Point > o.Point
	}
	return b.Gateway > o.Gateway
}

func (b *Block) check(d *Day) error {
	n := len(b.At)
	switch {
	case !nameForm.MatchString(b.Point) || !nameForm.MatchString(b.Gateway):
		return fmt.Errorf("a name must look like %s", nameForm)
	case n == 0 || n > maxRows || len(b.Received) != n || b.AtReceipt != nil && len(b.AtReceipt) != n:
		return fmt.Errorf("%d times, %d receipts, %d marks", n, len(b.Received), len(b.AtReceipt))
	case len(b.Quantities) == 0 || len(b.Values) != len(b.Quantities):
		return fmt.Errorf("%d quantities, %d columns", len(b.Quantities), len(b.Values))
	}
	for q, quantity := range b.Quantities {
		if quantity.Spec().Name == "" || q > 0 && quantity <= b.Quantities[q-1] {
			return fmt.Errorf("quantities %v", b.Quantities)
		}
		if len(b.Values[q]) != n {
			return fmt.Errorf("%d values of %s in %d rows", len(b.Values[q]), quantity, n)
		}
	}
	if b.AtReceipt != nil && !slices.Contains(b.AtReceipt, true) {
		return fmt.Errorf("marks without one that is set")
	}
	return b.checkRows(d)
}

func (b *Block) checkRows(d *Day) error {
	from, to, witnessed := d.From.UnixMicro(), d.To.UnixMicro(), d.WitnessedUntil().UnixMicro()
	used := make([]bool, len(b.Values))
	seen := make([]int64, len(b.Values))
	for row, at := range b.At {
		if at < from || at >= to {
			return fmt.Errorf("time %s is outside the day", time.UnixMicro(at).UTC())
		}
		if row > 0 && !b.rowAfter(row) {
			return fmt.Errorf("row %d is out of order", row+1)
		}
		if late := b.Received[row] >= witnessed; d.Amendment > 0 && late != d.Unwitnessed {
			return fmt.Errorf("row %d was received %s, in an amendment with unwitnessed %t", row+1, time.UnixMicro(b.Received[row]).UTC(), d.Unwitnessed)
		}
		filled := false
		for q := range b.Values {
			v := b.Values[q][row]
			if math.IsNaN(v) {
				continue
			}
			if math.IsInf(v, 0) {
				return fmt.Errorf("row %d has an infinite value", row+1)
			}
			if used[q] && seen[q] == at {
				return fmt.Errorf("two values of %s at one time in row %d", b.Quantities[q], row+1)
			}
			filled, used[q], seen[q] = true, true, at
		}
		if !filled {
			return fmt.Errorf("row %d is empty", row+1)
		}
	}
	if i := slices.Index(used, false); i >= 0 {
		return fmt.Errorf("no value of %s", b.Quantities[i])
	}
	return nil
}

// rowAfter: by time, then receipt, then the unmarked first.
func (b *Block) rowAfter(row int) bool {
	if b.At[row] != b.At[row-1] {
		return b.At[row] > b.At[row-1]
	}
	if b.Received[row] != b.Received[row-1] {
		return b.Received[row] > b.Received[row-1]
	}
	return b.AtReceipt != nil && b.AtReceipt[row] && !b.AtReceipt[row-1]
}

func (d *Day) within(t time.Time) bool {
	return !t.Before(d.From) && t.Before(d.To) && int64(t.Nanosecond())%microsecond == 0
}

func (d *Day) checkContacts() error {
	for i, c := range d.Contacts {
		if !d.within(c.At) || !nameForm.MatchString(c.Gateway) || !slices.Contains(presences, c.Presence) {
			return fmt.Errorf("contact %d: %s of %q at %s", i+1, c.Presence, clip(c.Gateway), c.At)
		}
		if i > 0 && CompareContacts(d.Contacts[i-1], c) >= 0 {
			return fmt.Errorf("contact %d is out of order", i+1)
		}
	}
	return nil
}

// CompareContacts orders them by time, gateway and presence.
func CompareContacts(a, b Contact) int {
	if c := a.At.Compare(b.At); c != 0 {
		return c
	}
	if c := strings.Compare(a.Gateway, b.Gateway); c != 0 {
		return c
	}
	return slices.Index(presences, a.Presence) - slices.Index(presences, b.Presence)
}

func (d *Day) checkDeaf() error {
	for i, s := range d.Deaf {
		ends := d.within(s.To) || s.To.Equal(d.To)
		if !d.within(s.From) || !ends || !s.From.Before(s.To) || i > 0 && !d.Deaf[i-1].To.Before(s.From) {
			return fmt.Errorf("deaf period %d, from %s to %s", i+1, s.From, s.To)
		}
	}
	return nil
}

func (d *Day) checkQuarantine() error {
	for i, q := range d.Quarantine {
		if !wordForm.MatchString(q.Reason) || q.Count < 1 || i > 0 && d.Quarantine[i-1].Reason >= q.Reason {
			return fmt.Errorf("quarantine: %d times %q", q.Count, clip(q.Reason))
		}
	}
	return nil
}

func (d *Day) checkJournal() error {
	for i, e := range d.Journal {
		if !d.within(e.At) || i > 0 && e.At.Before(d.Journal[i-1].At) {
			return fmt.Errorf("journal entry %d is out of order or not of the day", i+1)
		}
		if err := e.check(); err != nil {
			return fmt.Errorf("journal entry %d: %w", i+1, err)
		}
	}
	return nil
}

func (e *JournalEntry) check() error {
	words := append([]string{e.Kind, e.Condition}, e.Causes...)
	if e.SuppressedBy != "" {
		words = append(words, e.SuppressedBy)
	}
	for _, w := range words {
		if !wordForm.MatchString(w) {
			return fmt.Errorf("%q must look like %s", clip(w), wordForm)
		}
	}
	switch {
	case e.Alarm < 1:
		return fmt.Errorf("alarm %d", e.Alarm)
	case e.Point != "" && !nameForm.MatchString(e.Point):
		return fmt.Errorf("point %q", clip(e.Point))
	case !slices.Contains(priorities, e.Priority):
		return fmt.Errorf("priority %q", clip(e.Priority))
	case e.RaisedAt.IsZero() || e.KnownAt.IsZero():
		return fmt.Errorf("no time at which it was raised or known")
	case !actorForm.MatchString(e.By):
		return fmt.Errorf("by %q", clip(e.By))
	case e.Why == "-" || e.Why != "" && !plainLine(e.Why):
		return fmt.Errorf("why %q", clip(e.Why))
	}
	for _, t := range []time.Time{e.RaisedAt, e.KnownAt, e.ClearedAt, e.WithdrawnAt} {
		if t.Year() > 9999 || int64(t.Nanosecond())%microsecond != 0 {
			return fmt.Errorf("time %s", t)
		}
	}
	return nil
}

func (d *Day) checkSections() error {
	for i, s := range d.Sections {
		if !wordForm.MatchString(s.Name) || i > 0 && d.Sections[i-1].Name >= s.Name {
			return fmt.Errorf("section %q is out of order or misnamed", clip(s.Name))
		}
		if len(s.Lines) == 0 {
			return fmt.Errorf("section %s is empty", s.Name)
		}
		for j, line := range s.Lines {
			if !plainLine(line) {
				return fmt.Errorf("section %s, line %d: %q", s.Name, j+1, clip(line))
			}
		}
	}
	return nil
}

// plainLine: one line of printable UTF-8, not empty, no space at its ends.
func plainLine(s string) bool {
	return s != "" && len(s) <= maxLine && utf8.ValidString(s) && s == strings.TrimSpace(s) &&
		strings.IndexFunc(s, func(r rune) bool { return r != ' ' && !unicode.IsPrint(r) }) < 0
}
