package store

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/store/evidence"
	"underkeep/store/site"
)

// sealJob is a property with days to seal, in order, one after the other; or
// with sealed days to amend.
type sealJob struct {
	reg      *Registered
	days     []*sealDay
	previous [32]byte // of the record before the first of days
	amends   bool
}

// sealDay is a day that is being put together.
type sealDay struct {
	date     site.Date
	from, to time.Time
	readings []rawReading
	entries  []*evidence.JournalEntry
	day      evidence.Day

	// of an amendment
	next     int // its number
	previous [32]byte
	have     map[seriesAt]bool // what is sealed already
	told     journalCount      // likewise
}

type seriesAt struct {
	series int16
	at     int64
}

// rawReading is a row as it is stored, times in Unix µs.
type rawReading struct {
	series, gateway int16
	at, received    int64
	value           float64
	mark            bool
}

// daySpans lists all days of jobs as arrays for unnest, in order.
type daySpans struct {
	days     []*sealDay
	nums     []int32
	from, to []time.Time
}

func spansOf(jobs []*sealJob) *daySpans {
	s := &daySpans{}
	for _, j := range jobs {
		for _, d := range j.days {
			s.days, s.nums = append(s.days, d), append(s.nums, j.reg.Num)
			s.from, s.to = append(s.from, d.from), append(s.to, d.to)
		}
	}
	return s
}

// loadDays reads what there is about the days of jobs, in one snapshot.
func (s *Store) loadDays(ctx context.Context, jobs []*sealJob, now time.Time) error {
	spans := spansOf(jobs)
	people := personHashes{}
	err := withTx(ctx, s.sealing, oneSnapshot, func(tx pgx.Tx) error {
		for _, j := range jobs {
			if err := loadHave(ctx, tx, j); err != nil {
				return fmt.Errorf("sealed readings of %s: %w", j.reg.ID, err)
			}
			if err := loadTold(ctx, tx, j); err != nil {
				return fmt.Errorf("sealed journal of %s: %w", j.reg.ID, err)
			}
			if err := loadRaw(ctx, tx, j); err != nil {
				return fmt.Errorf("readings of %s: %w", j.reg.ID, err)
			}
		}
		for _, load := range []func(context.Context, pgx.Tx, *daySpans) error{loadDayContacts, loadDayRefusals, people.loadDayJournal, loadDaySections} {
			if err := load(ctx, tx, spans); err != nil {
				return err
			}
		}
		return loadDeaf(ctx, tx, spans, now)
	})
	if err != nil {
		return err
	}
	if err := s.hashPersons(ctx, people); err != nil {
		return err
	}
	for i, d := range spans.days {
		d.nameContacts(s.Registry(), spans.nums[i])
		for _, e := range d.entries {
			d.day.Journal = append(d.day.Journal, *e)
		}
	}
	return nil
}

const rawSQL = `SELECT u.s, r.gateway_id, r.at, r.value, r.received_at, r.at_receipt FROM unnest($2::int2[]) u(s) CROSS JOIN LATERAL (
		SELECT gateway_id, at, value, received_at, at_receipt FROM readings WHERE property_id = $1 AND series_id = u.s AND at >= $3 AND at < $4
		UNION ALL SELECT gateway_id, at, value, received_at, at_receipt FROM late_reading WHERE property_id = $1 AND series_id = u.s AND at >= $3 AND at < $4
	) r`

// loadRaw reads the stored rows of a job's days.
func loadRaw(ctx context.Context, tx pgx.Tx, j *sealJob) error {
	be := binary.BigEndian
	series := appendArrayHeader(nil, oidInt2, len(j.reg.series))
	for i := range j.reg.series {
		series = be.AppendUint16(be.AppendUint32(series, 2), uint16(i))
	}
	if _, err := tx.Conn().Prepare(ctx, "seal_raw", rawSQL); err != nil {
		return err
	}
	first, last := j.days[0].from, j.days[len(j.days)-1].to
	res := tx.Conn().PgConn().ExecPrepared(ctx, "seal_raw", [][]byte{be.AppendUint32(nil, uint32(j.reg.Num)), series,
		be.AppendUint64(nil, uint64(pgMicros(first))), be.AppendUint64(nil, uint64(pgMicros(last)))}, allBinary, allBinary)
	at := 0 // rows of a series come in order, so the day moves on
	for res.NextRow() {
		v := res.Values()
		r := rawReading{series: int16(be.Uint16(v[0])), gateway: int16(be.Uint16(v[1])), at: int64(be.Uint64(v[2])) + pgEpochMicros,
			value: math.Float64frombits(be.Uint64(v[3])), received: int64(be.Uint64(v[4])) + pgEpochMicros, mark: v[5] != nil}
		if at = j.dayOf(r.at, at); at < 0 {
			at = 0
			continue // between days that are amended
		}
		d := j.days[at]
		if d.have != nil && d.have[seriesAt{r.series, r.at}] {
			continue
		}
		d.readings = append(d.readings, r)
	}
	_, err := res.Close()
	return err
}

// dayOf finds the day of a time, trying guess first; -1 when there is none.
func (j *sealJob) dayOf(at int64, guess int) int {
	if d := j.days[guess]; at >= d.from.UnixMicro() && at < d.to.UnixMicro() {
		return guess
	}
	return slices.IndexFunc(j.days, func(d *sealDay) bool { return at >= d.from.UnixMicro() && at < d.to.UnixMicro() })
}

// records makes the record of each day, each with the hash of the one before.
func (j *sealJob) records(delay time.Duration) ([]sealedRecord, error) {
	var out []sealedRecord
	previous := j.previous
	for _, d := range j.days {
		if j.amends {
			made, err := d.amendments(j.reg, delay)
			if err != nil {
				return nil, err
			}
			out = append(out, made...)
			continue
		}
		if err := d.head(j.reg, delay); err != nil {
			return nil, err
		}
		d.day.Previous = previous
		d.day.Blocks = blocksOf(j.reg, d.readings)
		c, err := recordOf(j.reg, &d.day)
		if err != nil {
			return nil, err
		}
		previous = c.hash
		out = append(out, c)
		d.readings = nil
	}
	return out, nil
}

// head fills in what names the record.
func (d *sealDay) head(p *Registered, delay time.Duration) error {
	versions, err := p.Versions()
	if err != nil {
		return err
	}
	v := versions[0]
	for _, later := range versions[1:] {
		if !later.From.After(d.from) {
			v = later
		}
	}
	d.day.Property, d.day.Date, d.day.Zone = p.ID, d.date, p.Zone
	d.day.From, d.day.To, d.day.SealDelay = d.from, d.to, delay
	d.day.Description = evidence.Description{Version: int(v.Number), SHA256: sha256.Sum256([]byte(v.Document))}
	return nil
}

// amendments of a day: what was received in time and only stored late, and what
// was received later, each in a record of its own. Changes of alarms that were
// written after the day was sealed go with the latter: nobody outside saw them in
// time.
func (d *sealDay) amendments(p *Registered, delay time.Duration) ([]sealedRecord, error) {
	journal := d.told.without(d.day.Journal)
	if len(d.readings) == 0 && len(journal) == 0 {
		return nil, nil
	}
	if err := d.head(p, delay); err != nil {
		return nil, err
	}
	until := d.day.WitnessedUntil().UnixMicro()
	var parts [2][]rawReading
	for _, r := range d.readings {
		i := boolByte(r.received >= until)
		parts[i] = append(parts[i], r)
	}
	var out []sealedRecord
	for i, readings := range parts {
		entries := [][]evidence.JournalEntry{nil, journal}[i]
		if len(readings) == 0 && len(entries) == 0 {
			continue
		}
		day := d.day
		day.Unwitnessed, day.Amendment, day.Previous = i == 1, d.next, d.previous
		day.Blocks, day.Contacts, day.Deaf, day.Quarantine, day.Journal, day.Sections = blocksOf(p, readings), nil, nil, nil, entries, nil
		c, err := recordOf(p, &day)
		if err != nil {
			return nil, err
		}
		d.next++
		d.previous = c.hash
		out = append(out, c)
	}
	return out, nil
}

// blocksOf puts rows together: by point and gateway, what was measured and
// received at one time in one row.
func blocksOf(p *Registered, readings []rawReading) []evidence.Block {
	slices.SortFunc(readings, func(a, b rawReading) int {
		x, y := &p.series[a.series], &p.series[b.series]
		if c := cmp.Compare(x.Point, y.Point); c != 0 {
			return c
		}
		if a.gateway != b.gateway {
			return cmp.Compare(p.gateways[a.gateway].name, p.gateways[b.gateway].name)
		}
		return cmp.Or(cmp.Compare(a.at, b.at), cmp.Compare(a.received, b.received), cmp.Compare(boolByte(a.mark), boolByte(b.mark)),
			cmp.Compare(x.Quantity, y.Quantity))
	})
	var out []evidence.Block
	for len(readings) > 0 {
		first := readings[0]
		point := p.series[first.series].Point
		n := slices.IndexFunc(readings, func(r rawReading) bool { return r.gateway != first.gateway || p.series[r.series].Point != point })
		if n < 0 {
			n = len(readings)
		}
		out = append(out, blockOf(p, readings[:n]))
		readings = readings[n:]
	}
	return out
}

func blockOf(p *Registered, readings []rawReading) evidence.Block {
	b := evidence.Block{Point: p.series[readings[0].series].Point, Gateway: p.gateways[readings[0].gateway].name}
	for i := range readings {
		if q := p.series[readings[i].series].Quantity; !slices.Contains(b.Quantities, q) {
			b.Quantities = append(b.Quantities, q)
		}
	}
	slices.Sort(b.Quantities)
	b.Values = make([][]float64, len(b.Quantities))
	var marks []bool
	row := -1
	for i := range readings {
		r := &readings[i]
		if row < 0 || b.At[row] != r.at || b.Received[row] != r.received || marks[row] != r.mark {
			row++
			b.At, b.Received, marks = append(b.At, r.at), append(b.Received, r.received), append(marks, r.mark)
			for q := range b.Values {
				b.Values[q] = append(b.Values[q], math.NaN())
			}
		}
		b.Values[slices.Index(b.Quantities, p.series[r.series].Quantity)][row] = r.value
	}
	if slices.Contains(marks, true) {
		b.AtReceipt = marks
	}
	return b
}
