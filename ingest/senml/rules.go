package senml

import (
	"encoding/base64"
	"fmt"
	"math"
	"strings"
	"unsafe"
)

// label of a field, as a bit position.
type label uint8

const (
	lBaseName label = iota
	lBaseTime
	lBaseUnit
	lBaseValue
	lBaseSum
	lBaseVersion
	lName
	lUnit
	lValue
	lString
	lBool
	lData
	lSum
	lTime
	lUpdateTime
)

// labels of RFC 8428 section 5, table 1.
var labels = map[string]label{
	"bn": lBaseName, "bt": lBaseTime, "bu": lBaseUnit, "bv": lBaseValue, "bs": lBaseSum, "bver": lBaseVersion,
	"n": lName, "u": lUnit, "v": lValue, "vs": lString, "vb": lBool, "vd": lData,
	"s": lSum, "t": lTime, "ut": lUpdateTime,
}

func (l label) bit() uint32 { return 1 << l }

const (
	baseBits  = 1<<lBaseName | 1<<lBaseTime | 1<<lBaseUnit | 1<<lBaseValue | 1<<lBaseSum | 1<<lBaseVersion
	valueBits = 1<<lValue | 1<<lString | 1<<lBool | 1<<lData
)

// base fields in force.
type base struct {
	name, unit       string
	time, value, sum float64
	hasSum           bool
	version          uint8
}

// fields of one record as read.
type fields struct {
	seen    uint32 // bits of the labels read
	problem Problem
	vb      bool

	bn, bu, n, u, vs, vd string

	bt, bv, bs, bver, v, s, t, ut float64
}

// number is where the value of a numeric label goes; nil for other labels.
func (f *fields) number(l label) *float64 {
	switch l {
	case lBaseTime:
		return &f.bt
	case lBaseValue:
		return &f.bv
	case lBaseSum:
		return &f.bs
	case lBaseVersion:
		return &f.bver
	case lValue:
		return &f.v
	case lSum:
		return &f.s
	case lTime:
		return &f.t
	case lUpdateTime:
		return &f.ut
	}
	return nil
}

// text is where the value of a string label goes; nil for other labels.
func (f *fields) text(l label) *string {
	switch l {
	case lBaseName:
		return &f.bn
	case lBaseUnit:
		return &f.bu
	case lName:
		return &f.n
	case lUnit:
		return &f.u
	case lString:
		return &f.vs
	case lData:
		return &f.vd
	}
	return nil
}

// add applies base fields and appends the record. A record of base fields alone
// measures nothing and is left out. The error condemns the pack.
func (d *Decoder) add(f *fields, index int) error {
	if f.seen&baseBits != 0 {
		if err := d.base.apply(f, index); err != nil {
			return err
		}
		if f.seen&^baseBits == 0 && f.problem == OK {
			return nil
		}
	}
	if len(d.records) >= d.limits.Records {
		return fmt.Errorf("%w: more than %d", ErrTooManyRecords, d.limits.Records)
	}
	d.records = append(d.records, Record{})
	r := &d.records[len(d.records)-1]
	r.Name = d.join(d.base.name, f.n)
	r.Unit = d.base.unit
	if f.seen&lUnit.bit() != 0 {
		r.Unit = f.u
	}
	r.Version = d.base.version
	r.Time = d.base.time + f.t
	r.UpdateTime = f.ut
	r.HasSum = d.base.hasSum || f.seen&lSum.bit() != 0
	r.Sum = d.base.sum + f.s
	r.Problem = r.setValue(f, d.base.value)
	if r.Problem == OK {
		r.Problem = r.check()
	}
	return nil
}

func (b *base) apply(f *fields, index int) error {
	if f.seen&lBaseName.bit() != 0 {
		b.name = f.bn
	}
	if f.seen&lBaseTime.bit() != 0 {
		b.time = f.bt
	}
	if f.seen&lBaseUnit.bit() != 0 {
		b.unit = f.bu
	}
	if f.seen&lBaseValue.bit() != 0 {
		b.value = f.bv
	}
	if f.seen&lBaseSum.bit() != 0 {
		b.sum, b.hasSum = f.bs, true
	}
	if f.seen&lBaseVersion.bit() != 0 {
		return b.setVersion(f.bver, index)
	}
	return nil
}

// setVersion: a higher version must not be used, and all records of a pack
// carry the same one.
func (b *base) setVersion(v float64, index int) error {
	if v != math.Trunc(v) || v < 1 {
		return fmt.Errorf("%w: bver %v of record %d is no positive whole number", ErrSyntax, v, index)
	}
	if v > Version {
		return fmt.Errorf("%w: bver %v of record %d, at most %d", ErrVersion, v, index, Version)
	}
	if index > 0 && uint8(v) != b.version {
		return fmt.Errorf("%w: bver %v of record %d, %d before", ErrSyntax, v, index, b.version)
	}
	b.version = uint8(v)
	return nil
}

// setValue takes the one value of the record.
func (r *Record) setValue(f *fields, baseValue float64) Problem {
	if f.problem != OK {
		return f.problem
	}
	switch f.seen & valueBits {
	case 0:
		if !r.HasSum {
			return NoValue
		}
		r.Kind = KindNone
	case 1 << lValue:
		r.Kind, r.Value = KindNumber, baseValue+f.v
	case 1 << lBool:
		r.Kind, r.Bool = KindBool, f.vb
	case 1 << lString:
		r.Kind, r.Text = KindString, f.vs
	case 1 << lData:
		if strings.ContainsAny(f.vd, "\r\n") { // the decoder would skip them
			return BadData
		}
		b, err := base64.RawURLEncoding.Strict().DecodeString(f.vd)
		if err != nil {
			return BadData
		}
		r.Kind, r.Text = KindData, string(b)
	default:
		return ManyValues
	}
	return OK
}

func (r *Record) check() Problem {
	if !validName(r.Name) {
		return BadName
	}
	if !finite(r.Value) || !finite(r.Sum) || !finite(r.Time) {
		return NotFinite
	}
	return OK
}

func finite(v float64) bool { return v-v == 0 }

// nameChar: 1 may start a name, 2 may only follow (RFC 8428 section 4.5.1).
var nameChar = func() (t [256]uint8) {
	for c := '0'; c <= '9'; c++ {
		t[c] = 1
	}
	for c := 'a'; c <= 'z'; c++ {
		t[c], t[c-'a'+'A'] = 1, 1
	}
	for _, c := range "-:./_" {
		t[c] = 2
	}
	return t
}()

func validName(s string) bool {
	if s == "" || nameChar[s[0]] != 1 {
		return false
	}
	for i := 1; i < len(s); i++ {
		if nameChar[s[i]] == 0 {
			return false
		}
	}
	return true
}

// join concatenates in the decoder's own memory; that memory may move while it
// grows, the strings made before stay where they were.
func (d *Decoder) join(base, name string) string {
	if base == "" {
		return name
	}
	if name == "" {
		return base
	}
	start := len(d.names)
	d.names = append(append(d.names, base...), name...)
	return str(d.names[start:])
}

// str shares memory with b, which is never written again while it is in use.
func str(b []byte) string { return unsafe.String(unsafe.SliceData(b), len(b)) }
