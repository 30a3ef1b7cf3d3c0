package store

import (
	"encoding/binary"
	"fmt"
	"math"
)

// batch is one call of Record on its way into the database. It is used again
// from call to call, so that the way of a reading allocates nothing.
type batch struct {
	deliveries []Delivery
	rows       []row
	below      []row // of a time whose raw rows may be gone; never among rows
	months     []month
	refused    []refused            // as delivered
	contacts   map[contactKey]int64 // presence and messages without readings: latest receipt

	// What an attempt adds; begin clears it.
	stored, duplicate int
	found             []refused // refused by the database
	earliest          map[int32]dueFrom
	extraContacts     map[contactKey]int64

	buf    []byte
	arrays arrays
}

type contactKey struct {
	property int32
	gateway  int16
	presence Presence
}

// dueFrom is what a due row says; at is math.MaxInt64 where nothing new was
// measured.
type dueFrom struct{ at, received int64 }

// refused is one refusal with the number of its property, 0 for none.
type refused struct {
	property int32
	received int64
	*Refusal
}

func (b *batch) release() {
	b.deliveries = nil
	b.rows, b.below, b.months = b.rows[:0], b.below[:0], b.months[:0]
	clear(b.refused)
	b.refused = b.refused[:0]
	clear(b.contacts)
	b.begin()
}

func (b *batch) begin() {
	b.stored, b.duplicate = 0, 0
	clear(b.found)
	b.found = b.found[:0]
	clear(b.earliest)
	clear(b.extraContacts)
}

type batchMark struct{ stored, duplicate, found int }

func (b *batch) mark() batchMark { return batchMark{b.stored, b.duplicate, len(b.found)} }

func (b *batch) reset(m batchMark) {
	b.stored, b.duplicate, b.found = m.stored, m.duplicate, b.found[:m.found]
}

// add takes one delivery; false when its property or gateway is unknown.
func (b *batch) add(reg *Registry, i int, d *Delivery) bool {
	p, ok := lookup(reg, d)
	if !ok {
		return false
	}
	gateway, _ := p.Source(d.Gateway)
	received := receiptOf(d)
	first := len(b.rows)
	for j := range d.Readings {
		r := &d.Readings[j]
		series, ok := p.Series(r.Point, r.Quantity)
		if !ok {
			b.refuseReading(p.Num, d, r, ReasonUnknownPoint, fmt.Sprintf("no %s at point %s is registered", r.Quantity, r.Point))
			continue
		}
		b.rows = append(b.rows, row{
			property: p.Num, series: series, gateway: gateway, at: pgMicros(r.At), received: received,
			value: r.Value, delivery: int32(i), reading: int32(j), atReceipt: r.AtReceipt,
		})
		if why := unstorable(&b.rows[len(b.rows)-1]); why != "" {
			b.rows = b.rows[:len(b.rows)-1]
			b.refuseReading(p.Num, d, r, ReasonNotStorable, why)
		}
	}
	b.months = monthsOf(b.months, b.rows[first:])
	for j := range d.Refused {
		b.refused = append(b.refused, refused{p.Num, received, &d.Refused[j]})
	}
	if d.Presence != PresenceNone {
		b.contact(p.Num, gateway, received, d.Presence)
	} else if len(b.rows) == first {
		b.contact(p.Num, gateway, received, PresenceNone)
	}
	return true
}

// addStranger quarantines a delivery whose property or gateway nobody has
// registered.
func (b *batch) addStranger(reg *Registry, d *Delivery) {
	var num int32
	reason, detail := ReasonUnknownProperty, "no property "+d.Property+" is registered"
	if p, ok := reg.Property(d.Property); ok {
		num = p.Num
		reason, detail = ReasonUnknownGateway, "no gateway "+d.Gateway+" is registered for "+d.Property
	}
	for j := range d.Readings {
		b.refuseReading(num, d, &d.Readings[j], reason, detail)
	}
	for j := range d.Refused {
		b.refused = append(b.refused, refused{num, pgMicros(d.Received), &d.Refused[j]})
	}
}

// refuseReading sets a reading aside before any attempt.
func (b *batch) refuseReading(property int32, d *Delivery, r *Reading, reason Reason, detail string) {
	b.refused = append(b.refused, refused{property, pgMicros(d.Received), refusalOf(d, r, reason, detail)})
}

// refuse sets a row aside that the database did not take.
func (b *batch) refuse(r *row, reason Reason, detail string) {
	d := &b.deliveries[r.delivery]
	b.found = append(b.found, refused{r.property, r.received, refusalOf(d, &d.Readings[r.reading], reason, detail)})
}

func (b *batch) contact(property int32, gateway int16, received int64, presence Presence) {
	if b.contacts == nil {
		b.contacts = map[contactKey]int64{}
	}
	k := contactKey{property, gateway, presence}
	b.contacts[k] = max(b.contacts[k], received)
}

// heard notes, within an attempt, a sign of life that no new reading carries.
func (b *batch) heard(property int32, gateway int16, received int64, presence Presence) {
	if b.extraContacts == nil {
		b.extraContacts = map[contactKey]int64{}
	}
	k := contactKey{property, gateway, presence}
	b.extraContacts[k] = max(b.extraContacts[k], received)
}

// noteNew widens the due row of a stored reading's property.
func (b *batch) noteNew(r *row) {
	if b.earliest == nil {
		b.earliest = map[int32]dueFrom{}
	}
	d, ok := b.earliest[r.property]
	if !ok {
		d = dueFrom{math.MaxInt64, r.received}
	}
	b.earliest[r.property] = dueFrom{min(d.at, r.at), min(d.received, r.received)}
}

func (b *batch) recorded() Recorded {
	out := Recorded{Stored: b.stored, Duplicate: b.duplicate}
	if len(b.refused)+len(b.found) == 0 {
		return out
	}
	out.Quarantined = map[Reason]int{}
	for _, q := range b.refused {
		out.Quarantined[q.Reason]++
	}
	for _, q := range b.found {
		out.Quarantined[q.Reason]++
	}
	return out
}

// countOf reads the one int8 of the one row of a binary result.
func countOf(rows [][][]byte) (int, error) {
	if len(rows) != 1 {
		return 0, fmt.Errorf("count came as %d rows", len(rows))
	}
	n, err := int8Of(rows[0])
	return int(n), err
}

func int8Of(r [][]byte) (int64, error) {
	if len(r) != 1 || len(r[0]) != 8 {
		return 0, fmt.Errorf("number came as %d columns", len(r))
	}
	return int64(binary.BigEndian.Uint64(r[0])), nil
}
