package evidence

import (
	"crypto/sha256"
	"iter"
	"math"
	"time"

	"underkeep/store/site"
)

// Day is one record of the log: everything known of one local day of one
// property when it was sealed, or an amendment with what came later.
type Day struct {
	Property string
	Date     site.Date // in the property's zone
	Zone     string    // IANA name
	From, To time.Time // the day's bounds in UTC: 23, 24 or 25 h apart
	// SealDelay is how long after To the day was kept open for late data, at
	// the time of sealing. Whole seconds.
	SealDelay time.Duration
	// Amendment is 0 for the day itself and counts its amendments from 1.
	Amendment int
	// Unwitnessed marks an amendment of readings that were received later than
	// the seal delay: shown, never proof.
	Unwitnessed bool
	// Previous is the leaf hash of the record before: of the day before for a
	// day, of the day or the amendment before for an amendment. Zero for the
	// first.
	Previous    [32]byte
	Description Description
	Blocks      []Block // by point, then gateway
	Contacts    []Contact
	Deaf        []Span // when the service itself did not listen
	Quarantine  []Refused
	Journal     []JournalEntry
	Sections    []Section // by name
}

// Description names the property's description that was in force on the day.
type Description struct {
	Version int      // as registered, from 1
	SHA256  [32]byte // of the property file as it was given
}

// Block holds the readings of one point by way of one gateway, column by
// column, in the order of time. A row is what was measured and received at one
// time; a quantity that is not in it has NaN.
type Block struct {
	Point, Gateway string
	Quantities     []site.Quantity
	At, Received   []int64 // Unix µs
	// AtReceipt marks rows whose time was resolved against the receipt; nil
	// when there is none.
	AtReceipt []bool
	Values    [][]float64 // by quantity, then row; in the stored unit
}

// Contact is a sign of life that no reading of the day carries, or a presence.
type Contact struct {
	At       time.Time
	Gateway  string
	Presence string // message | online | offline
}

// Span of time, From inclusive, To exclusive, within the day.
type Span struct{ From, To time.Time }

// Refused counts what went to quarantine, by reason, by time of receipt.
type Refused struct {
	Reason string
	Count  int
}

// JournalEntry is one change of an alarm, written into its journal on the day.
type JournalEntry struct {
	At                                        time.Time
	Alarm                                     int    // number of the alarm within the property
	Kind                                      string // raised, cleared, acknowledged, …
	Condition                                 string
	Point                                     string // "" for property-wide conditions
	Priority                                  string
	RaisedAt, KnownAt, ClearedAt, WithdrawnAt time.Time // the latter two zero: not
	SuppressedBy                              string    // "" not
	Causes                                    []string  // likeliest first
	By                                        string    // evaluation, or person:HASH
	Why                                       string    // hashed too where a person wrote it
}

// Section is room for records of another kind, such as visits and sensor
// checks: a name and lines of text.
type Section struct {
	Name  string // [a-z][a-z0-9-]*
	Lines []string
}

// Reading is one value out of a Day.
type Reading struct {
	Point     string
	Gateway   string
	Quantity  site.Quantity
	At        time.Time
	Value     float64 // in the stored unit
	Received  time.Time
	AtReceipt bool
}

// Readings yields every value of the day, block by block, quantity by quantity,
// in the order of time.
func (d *Day) Readings() iter.Seq[Reading] {
	return func(yield func(Reading) bool) {
		for i := range d.Blocks {
			b := &d.Blocks[i]
			for q, values := range b.Values {
				for row, v := range values {
					if math.IsNaN(v) {
						continue
					}
					r := Reading{Point: b.Point, Gateway: b.Gateway, Quantity: b.Quantities[q], Value: v,
						At: time.UnixMicro(b.At[row]).UTC(), Received: time.UnixMicro(b.Received[row]).UTC(),
						AtReceipt: b.AtReceipt != nil && b.AtReceipt[row]}
					if !yield(r) {
						return
					}
				}
			}
		}
	}
}

// Count is how many values the day holds.
func (d *Day) Count() int {
	n := 0
	for i := range d.Blocks {
		n += d.Blocks[i].Count()
	}
	return n
}

// Count is how many values the block holds.
func (b *Block) Count() int {
	n := 0
	for _, values := range b.Values {
		for _, v := range values {
			if !math.IsNaN(v) {
				n++
			}
		}
	}
	return n
}

// Witnessed says whether a reading of the day that was received at that time
// may count as proof: not when it came later than the seal delay, since whoever
// holds a gateway's password could then write the past.
func (d *Day) Witnessed(received time.Time) bool { return received.Before(d.WitnessedUntil()) }

// WitnessedUntil is the end of the time in which readings of the day count as
// proof.
func (d *Day) WitnessedUntil() time.Time { return d.To.Add(d.SealDelay) }

// LeafHash is the hash of a record in the log (RFC 6962, section 2.1):
// SHA-256 of a zero byte and the record's text.
func LeafHash(text []byte) [32]byte {
	h := sha256.New()
	h.Write([]byte{0})
	h.Write(text)
	return [32]byte(h.Sum(nil))
}
