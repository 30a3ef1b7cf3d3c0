package store

import (
	"cmp"
	"encoding/binary"
	"math"
	"slices"
	"time"
)

// row is one reading as the readings table has it.
type row struct {
	property int32
	series   int16
	gateway  int16
	at       int64 // µs since 2000-01-01 UTC, the epoch of Postgres
	received int64 // likewise
	value    float64
	delivery int32 // where it came from, to find it again when it is refused
	reading  int32
	// atReceipt: the time was resolved against the receipt
	atReceipt bool
}

// pgEpochMicros is 2000-01-01 00:00 UTC in µs of the Unix epoch.
const pgEpochMicros = 946_684_800_000_000

func pgMicros(t time.Time) int64      { return t.UnixMicro() - pgEpochMicros }
func timeOfMicros(µs int64) time.Time { return time.UnixMicro(µs + pgEpochMicros).UTC() }

// sortRows orders by key and keeps the order of arrival within a key, so that
// the first value stands and two services never lock the same keys in
// opposite order.
func sortRows(rows []row) {
	slices.SortStableFunc(rows, func(a, b row) int {
		return cmp.Or(cmp.Compare(a.property, b.property), cmp.Compare(a.series, b.series), cmp.Compare(a.at, b.at))
	})
}

// copySignature opens a binary COPY: signature, no flags, no extension.
const copySignature = "PGCOPY\n\377\r\n\000\000\000\000\000\000\000\000\000"

// copySQL takes rows in the form that appendCopy writes.
const copySQL = `COPY readings (property_id, series_id, gateway_id, at, value, received_at, at_receipt) FROM STDIN (FORMAT binary)`

// appendCopy writes rows as a complete binary COPY stream (Postgres manual,
// COPY, "Binary Format"). By hand, because the general encoder spends most of
// the ingest's processor time on finding the encoder of each value.
func appendCopy(b []byte, rows []row) []byte {
	b = append(b, copySignature...)
	be := binary.BigEndian
	for i := range rows {
		r := &rows[i]
		b = be.AppendUint16(b, 7)
		b = be.AppendUint32(b, 4)
		b = be.AppendUint32(b, uint32(r.property))
		b = be.AppendUint32(b, 2)
		b = be.AppendUint16(b, uint16(r.series))
		b = be.AppendUint32(b, 2)
		b = be.AppendUint16(b, uint16(r.gateway))
		b = be.AppendUint32(b, 8)
		b = be.AppendUint64(b, uint64(r.at))
		b = be.AppendUint32(b, 8)
		b = be.AppendUint64(b, math.Float64bits(r.value))
		b = be.AppendUint32(b, 8)
		b = be.AppendUint64(b, uint64(r.received))
		if r.atReceipt {
			b = append(b, 0, 0, 0, 1, 1)
		} else {
			b = append(b, 0xff, 0xff, 0xff, 0xff)
		}
	}
	return append(b, 0xff, 0xff)
}

// Type OIDs of array elements (pg_type.dat).
const (
	oidBool        = 16
	oidInt8        = 20
	oidInt2        = 21
	oidInt4        = 23
	oidFloat8      = 701
	oidTimestamptz = 1184
)

// arrays are the seven columns of rows as binary array parameters.
type arrays struct {
	buf    []byte
	values [7][]byte
}

// fill encodes rows column by column into one buffer that is used again.
func (a *arrays) fill(rows []row) [][]byte {
	n := len(rows)
	widths := [7]int{4, 2, 2, 8, 8, 8, 1}
	oids := [7]uint32{oidInt4, oidInt2, oidInt2, oidTimestamptz, oidFloat8, oidTimestamptz, oidBool}
	total := 0
	for _, w := range widths {
		total += 20 + n*(4+w)
	}
	a.buf = slices.Grow(a.buf[:0], total)[:0]
	for c, w := range widths {
		start := len(a.buf)
		a.buf = appendArrayHeader(a.buf, oids[c], n)
		a.buf = appendColumn(a.buf, rows, c, w)
		a.values[c] = a.buf[start:len(a.buf):len(a.buf)]
	}
	return a.values[:]
}

// appendArrayHeader opens a one-dimensional array without NULLs (Postgres
// source, array_recv).
func appendArrayHeader(b []byte, oid uint32, n int) []byte {
	be := binary.BigEndian
	b = be.AppendUint32(b, 1) // dimensions
	b = be.AppendUint32(b, 0) // no NULLs
	b = be.AppendUint32(b, oid)
	b = be.AppendUint32(b, uint32(n))
	return be.AppendUint32(b, 1) // lower bound
}

func appendColumn(b []byte, rows []row, column, width int) []byte {
	be := binary.BigEndian
	for i := range rows {
		r := &rows[i]
		b = be.AppendUint32(b, uint32(width))
		switch column {
		case 0:
			b = be.AppendUint32(b, uint32(r.property))
		case 1:
			b = be.AppendUint16(b, uint16(r.series))
		case 2:
			b = be.AppendUint16(b, uint16(r.gateway))
		case 3:
			b = be.AppendUint64(b, uint64(r.at))
		case 4:
			b = be.AppendUint64(b, math.Float64bits(r.value))
		case 5:
			b = be.AppendUint64(b, uint64(r.received))
		case 6:
			b = append(b, boolByte(r.atReceipt))
		}
	}
	return b
}

func boolByte(v bool) byte {
	if v {
		return 1
	}
	return 0
}
