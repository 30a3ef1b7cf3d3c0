// Package senml reads sensor measurement lists in JSON, RFC 8428 (August 2018),
// and resolves their base fields.
//
// A pack is a JSON array of records. A record carries a name, a unit, one value
// and a time; base fields (bn, bt, bu, bv, bs, bver) apply from the record they
// stand in until they are given again:
//
//	[{"bn":"north-bay/","bt":1780315200,"n":"rh","u":"%RH","v":61.5},
//	 {"n":"air-temp","u":"Cel","v":18.25}]
//
// decodes to two records, north-bay/rh and north-bay/air-temp, both at
// 2026-06-01T12:00:00Z.
//
// What makes a pack as a whole meaningless is an error: JSON that is not valid
// (invalid UTF-8 and repeated labels included), anything but an array of
// objects, a base field of the wrong type, a version above 10, versions that
// differ, or an unknown label ending in an underscore, which section 4.4 says
// must be understood. What spoils one record only is that record's Problem, so
// that its neighbours can be kept. Other unknown labels are ignored.
//
// There are two decoders. The general one reads every JSON text; the fast one
// reads the shape that gateways send and steps aside for the general one at the
// first byte that it does not expect. Both end in the same rules, and fuzzing
// holds them to the same answer.
package senml

import (
	"errors"
	"fmt"
	"math"
	"time"
)

// Version of the format that is understood (RFC 8428 section 4.4).
const Version = 10

// RelativeBelow separates times: below it they are seconds relative to now, from
// it on seconds since 1970 (RFC 8428 section 4.5.3).
const RelativeBelow = 1 << 28

// Kind of a record's value.
type Kind uint8

// The kinds of value. KindNone belongs to a record that carries a sum alone.
const (
	KindNone   Kind = iota
	KindNumber      // v
	KindBool        // vb
	KindString      // vs
	KindData        // vd, decoded
)

// Problem is what makes one record unusable; the other records of its pack stand.
type Problem uint8

// The problems of a record.
const (
	OK          Problem = iota
	BadName             // resolved name empty, or with characters outside section 4.5.1
	NoValue             // neither a value nor a sum
	ManyValues          // more than one of v, vs, vb, vd
	WrongType           // a field carries another JSON type than its label asks for
	NotFinite           // a number beyond the range of a double, by itself or with its base
	BadData             // vd is not base64url without padding
	badProblems         // count
)

var problemText = [badProblems]string{
	OK:         "ok",
	BadName:    "name is empty or has characters that RFC 8428 does not allow",
	NoValue:    "no value",
	ManyValues: "more than one value",
	WrongType:  "a field has the wrong JSON type",
	NotFinite:  "a number is beyond the range of a double",
	BadData:    "vd is not base64url without padding",
}

// String says the problem in words.
func (p Problem) String() string {
	if p < badProblems {
		return problemText[p]
	}
	return fmt.Sprintf("Problem(%d)", uint8(p))
}

// Record is one measurement with its base fields applied. Times stay as they
// were sent; At resolves them.
type Record struct {
	Name       string // bn + n
	Unit       string // u, else bu, else ""
	Text       string // the string of KindString, the octets of KindData
	Value      float64
	Sum        float64 // integral of the value over time, unit × s
	Time       float64 // bt + t in seconds; 0 when neither was given
	UpdateTime float64 // seconds until the next record at the latest; 0: not said
	Kind       Kind
	Problem    Problem
	Bool       bool
	HasSum     bool
	Version    uint8 // bver, 10 when not given
}

// Errors of a pack as a whole. The ones returned wrap these and say more.
var (
	ErrTooLarge       = errors.New("pack too large")
	ErrTooManyRecords = errors.New("too many records")
	ErrSyntax         = errors.New("not a SenML pack")
	ErrVersion        = errors.New("SenML version not understood")
	ErrMustUnderstand = errors.New("label that must be understood is not")
)

// Limits bound what one pack may cost. Zero fields take the default.
type Limits struct {
	Bytes   int // payload length, default 1 MB (1<<20)
	Records int // default 100,000
	Depth   int // nesting of values under labels that are ignored, default 16
}

// Defaults of Limits.
const (
	DefaultBytes   = 1 << 20
	DefaultRecords = 100_000
	DefaultDepth   = 16
)

func (l Limits) withDefaults() Limits {
	if l.Bytes <= 0 {
		l.Bytes = DefaultBytes
	}
	if l.Records <= 0 {
		l.Records = DefaultRecords
	}
	if l.Depth <= 0 {
		l.Depth = DefaultDepth
	}
	return l
}

// Decoder reads packs one after another and reuses its memory. It may not be
// used by two goroutines at once. The zero value has the default limits.
type Decoder struct {
	limits  Limits
	records []Record
	names   []byte // backs names that had to be joined
	base    base
}

// NewDecoder returns a decoder with these limits.
func NewDecoder(l Limits) *Decoder { return &Decoder{limits: l} }

// Decode reads one pack. The records and their strings are valid until the next
// Decode, and share memory with payload, which must not be changed meanwhile.
//
// The error, if any, wraps one of the errors of this package and condemns the
// whole pack; records that cannot be used by themselves carry a Problem.
func (d *Decoder) Decode(payload []byte) ([]Record, error) {
	d.limits = d.limits.withDefaults()
	if len(payload) > d.limits.Bytes {
		return nil, fmt.Errorf("%w: %d bytes, at most %d", ErrTooLarge, len(payload), d.limits.Bytes)
	}
	d.reset()
	if d.fast(payload) {
		return d.records, nil
	}
	d.reset()
	if err := d.general(payload); err != nil {
		return nil, err
	}
	return d.records, nil
}

// Decode reads one pack with fresh memory.
func Decode(payload []byte, l Limits) ([]Record, error) { return NewDecoder(l).Decode(payload) }

func (d *Decoder) reset() {
	d.records, d.names = d.records[:0], d.names[:0]
	d.base = base{version: Version}
}

// Latest and earliest seconds since 1970 that At resolves: the years 1 to 9999.
const (
	minUnix = -62135596800
	maxUnix = 253402300799
)

// At resolves the record's time against the time of receipt, to the
// microsecond, UTC. relative says that the time was relative or missing. ok is
// false for a time outside the years 1 to 9999; at is zero then.
func (r *Record) At(received time.Time) (at time.Time, relative, ok bool) {
	relative = r.Time < RelativeBelow
	if !(math.Abs(r.Time) <= maxUnix) { // also false for NaN
		return time.Time{}, relative, false
	}
	sec := math.Floor(r.Time)
	micros := time.Duration(math.Round((r.Time - sec) * 1e6))
	if !relative {
		return time.Unix(int64(sec), int64(micros*time.Microsecond)).UTC(), false, true
	}
	// Not received.Add: a Duration ends at 292 years.
	at = time.Unix(received.Unix()+int64(sec), int64(received.Nanosecond())+int64(micros*time.Microsecond)).UTC().Truncate(time.Microsecond)
	if at.Unix() < minUnix || at.Unix() > maxUnix {
		return time.Time{}, true, false
	}
	return at, true, true
}
