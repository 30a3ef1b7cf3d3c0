package store

import (
	"cmp"
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"slices"

	"github.com/jackc/pgx/v5"

	"underkeep/store/evidence"
)

// rawSQL reads many series of many properties at once, each with its span of
// time; rows tell by number which of them they belong to.
const rawSQL = `SELECT (u.n - 1)::int4, r.gateway_id, r.at, r.value, r.received_at, r.at_receipt
	FROM unnest($1::int4[], $2::int2[], $3::timestamptz[], $4::timestamptz[]) WITH ORDINALITY u(p, s, f, t, n) CROSS JOIN LATERAL (
		SELECT gateway_id, at, value, received_at, at_receipt FROM readings WHERE property_id = u.p AND series_id = u.s AND at >= u.f AND at < u.t
		UNION ALL SELECT gateway_id, at, value, received_at, at_receipt FROM late_reading WHERE property_id = u.p AND series_id = u.s AND at >= u.f AND at < u.t
	) r`

// rawSeries is one series of a job.
type rawSeries struct {
	job    *sealJob
	series int16
	day    int // index of the day that its rows have come to
}

// loadRaw reads the stored rows of the days of jobs.
func loadRaw(ctx context.Context, tx pgx.Tx, jobs []*sealJob) error {
	asked, args := rawAsked(jobs)
	if len(asked) == 0 {
		return nil
	}
	if _, err := tx.Conn().Prepare(ctx, "seal_raw", rawSQL); err != nil {
		return err
	}
	res := tx.Conn().PgConn().ExecPrepared(ctx, "seal_raw", args, allBinary, allBinary)
	be := binary.BigEndian
	for res.NextRow() {
		v := res.Values()
		n := int(be.Uint32(v[0]))
		if n >= len(asked) {
			_, _ = res.Close()
			return fmt.Errorf("a row of series %d of %d", n, len(asked))
		}
		a := &asked[n]
		a.take(rawReading{series: a.series, gateway: int16(be.Uint16(v[1])), at: int64(be.Uint64(v[2])) + pgEpochMicros,
			value: math.Float64frombits(be.Uint64(v[3])), received: int64(be.Uint64(v[4])) + pgEpochMicros, mark: v[5] != nil})
	}
	_, err := res.Close()
	return err
}

// rawAsked lists every series of jobs, and the arguments of rawSQL that ask for
// them.
func rawAsked(jobs []*sealJob) ([]rawSeries, [][]byte) {
	var asked []rawSeries
	for _, j := range jobs {
		for i := range j.reg.series {
			asked = append(asked, rawSeries{job: j, series: int16(i)})
		}
	}
	n, be := len(asked), binary.BigEndian
	nums, series := appendArrayHeader(nil, oidInt4, n), appendArrayHeader(nil, oidInt2, n)
	from, to := appendArrayHeader(nil, oidTimestamptz, n), appendArrayHeader(nil, oidTimestamptz, n)
	for _, a := range asked {
		days := a.job.days
		nums = be.AppendUint32(be.AppendUint32(nums, 4), uint32(a.job.reg.Num))
		series = be.AppendUint16(be.AppendUint32(series, 2), uint16(a.series))
		from = be.AppendUint64(be.AppendUint32(from, 8), uint64(pgMicros(days[0].from)))
		to = be.AppendUint64(be.AppendUint32(to, 8), uint64(pgMicros(days[len(days)-1].to)))
	}
	return asked, [][]byte{nums, series, from, to}
}

// take puts a row to its day. Rows of a series come in order, so the day moves on.
func (a *rawSeries) take(r rawReading) {
	at := a.job.dayOf(r.at, a.day)
	if at < 0 {
		return // between days that are amended
	}
	a.day = at
	d := a.job.days[at]
	if d.have != nil && d.have[seriesAt{r.series, r.at}] {
		return
	}
	if d.readings == nil {
		d.readings = make([]rawReading, 0, usualRows*len(a.job.reg.series))
	}
	d.readings = append(d.readings, r)
}

// usualRows of a series in a day: one in five minutes.
const usualRows = 288

// blocksOf puts rows together: by point and gateway, what was measured and
// received at one time in one row.
func blocksOf(p *Registered, readings []rawReading) []evidence.Block {
	type key struct{ point, gateway string }
	parts := map[key][]rawReading{}
	same := func(a, b *rawReading) bool {
		return a.gateway == b.gateway && (a.series == b.series || p.series[a.series].Point == p.series[b.series].Point)
	}
	for len(readings) > 0 {
		n := 1
		for n < len(readings) && same(&readings[n-1], &readings[n]) {
			n++
		}
		k := key{p.series[readings[0].series].Point, p.gateways[readings[0].gateway].name}
		if have, again := parts[k]; again {
			parts[k] = append(have, readings[:n]...)
		} else {
			parts[k] = readings[:n:n] // series of a point mostly follow each other
		}
		readings = readings[n:]
	}
	out := make([]evidence.Block, 0, len(parts))
	for k, part := range parts {
		out = append(out, blockOf(p, k.point, k.gateway, part))
	}
	slices.SortFunc(out, func(a, b evidence.Block) int {
		return cmp.Or(cmp.Compare(a.Point, b.Point), cmp.Compare(a.Gateway, b.Gateway))
	})
	return out
}

func blockOf(p *Registered, point, gateway string, readings []rawReading) evidence.Block {
	b := evidence.Block{Point: point, Gateway: gateway}
	for i := range readings {
		if i > 0 && readings[i].series == readings[i-1].series {
			continue
		}
		if q := p.series[readings[i].series].Quantity; !slices.Contains(b.Quantities, q) {
			b.Quantities = append(b.Quantities, q)
		}
	}
	slices.Sort(b.Quantities)
	column := make([]int, len(p.series))
	for i := range p.series {
		column[i] = slices.Index(b.Quantities, p.series[i].Quantity)
	}
	slices.SortFunc(readings, func(a, b rawReading) int {
		switch {
		case a.at != b.at:
			return cmp.Compare(a.at, b.at)
		case a.received != b.received:
			return cmp.Compare(a.received, b.received)
		case a.mark != b.mark:
			return cmp.Compare(boolByte(a.mark), boolByte(b.mark))
		}
		return cmp.Compare(column[a.series], column[b.series])
	})
	rows := len(readings)/len(b.Quantities) + 1 // as many as there are when none is alone
	b.At, b.Received, b.Values = make([]int64, 0, rows), make([]int64, 0, rows), make([][]float64, len(b.Quantities))
	for q := range b.Values {
		b.Values[q] = make([]float64, 0, rows)
	}
	marks, marked := make([]bool, 0, rows), false
	row := -1
	for i := range readings {
		r := &readings[i]
		if row < 0 || b.At[row] != r.at || b.Received[row] != r.received || marks[row] != r.mark {
			row++
			b.At, b.Received, marks = append(b.At, r.at), append(b.Received, r.received), append(marks, r.mark)
			marked = marked || r.mark
			for q := range b.Values {
				b.Values[q] = append(b.Values[q], math.NaN())
			}
		}
		b.Values[column[r.series]][row] = r.value
	}
	if marked {
		b.AtReceipt = marks
	}
	return b
}
