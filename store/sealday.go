package store

import (
	"context"
	"crypto/sha256"
	"fmt"
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
		}
		if err := loadRaw(ctx, tx, jobs); err != nil {
			return fmt.Errorf("readings of %d properties: %w", len(jobs), err)
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
