package store

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"

	"github.com/jackc/pgx/v5"

	"underkeep/store/evidence"
)

const spansSQL = `unnest($1::int4[], $2::timestamptz[], $3::timestamptz[]) WITH ORDINALITY u(p, f, t, i)`

// eachOfDays runs a query over spans; its first column is the number of the day.
func eachOfDays(ctx context.Context, tx pgx.Tx, s *daySpans, what, sql string, dest []any, f func(*sealDay) error) error {
	rows, err := tx.Query(ctx, sql, s.nums, s.from, s.to)
	if err != nil {
		return fmt.Errorf("%s: %w", what, err)
	}
	var i int64
	_, err = pgx.ForEachRow(rows, append([]any{&i}, dest...), func() error { return f(s.days[i-1]) })
	if err != nil {
		return fmt.Errorf("%s: %w", what, err)
	}
	return nil
}

func loadDayContacts(ctx context.Context, tx pgx.Tx, s *daySpans) error {
	var gateway int16
	var presence Presence
	var heard time.Time
	return eachOfDays(ctx, tx, s, "contacts", `SELECT u.i, c.gateway_id, c.presence, c.heard_at FROM `+spansSQL+`
		JOIN contact c ON c.property_id = u.p AND c.heard_at >= u.f AND c.heard_at < u.t`, []any{&gateway, &presence, &heard}, func(d *sealDay) error {
		// the number stands for the name until nameContacts
		d.day.Contacts = append(d.day.Contacts, evidence.Contact{At: heard.UTC(), Gateway: fmt.Sprint(gateway), Presence: presenceWords[presence]})
		return nil
	})
}

var presenceWords = map[Presence]string{PresenceNone: "message", PresenceOnline: "online", PresenceOffline: "offline"}

// nameContacts gives contacts the names of their gateways, in the order of the
// text.
func (d *sealDay) nameContacts(reg *Registry, num int32) {
	p := reg.byID[num]
	for i := range d.day.Contacts {
		c := &d.day.Contacts[i]
		for id := range p.gateways {
			if c.Gateway == fmt.Sprint(id) {
				c.Gateway = p.gateways[id].name
				break
			}
		}
	}
	slices.SortFunc(d.day.Contacts, evidence.CompareContacts)
}

func loadDayRefusals(ctx context.Context, tx pgx.Tx, s *daySpans) error {
	var reason string
	var n int
	return eachOfDays(ctx, tx, s, "quarantine", `SELECT u.i, q.reason, count(*) FROM `+spansSQL+`
		JOIN quarantine q ON q.property_id = u.p AND q.received_at >= u.f AND q.received_at < u.t
		GROUP BY u.i, q.reason ORDER BY u.i, q.reason COLLATE "C"`, []any{&reason, &n}, func(d *sealDay) error {
		d.day.Quarantine = append(d.day.Quarantine, evidence.Refused{Reason: reason, Count: n})
		return nil
	})
}

// personHashes collects what persons are called in journals, to be hashed
// before a record is made.
type personHashes map[string][]*evidence.JournalEntry

func (people personHashes) loadDayJournal(ctx context.Context, tx pgx.Tx, s *daySpans) error {
	entries := map[*sealDay][]*evidence.JournalEntry{}
	var at time.Time
	var no int
	var kind, actor, why string
	var alarm []byte
	err := eachOfDays(ctx, tx, s, "journal", `SELECT u.i, j.at, j.alarm_no, j.kind, j.actor, j.why, j.alarm FROM `+spansSQL+`
		JOIN alarm_journal j ON j.property_id = u.p AND j.at >= u.f AND j.at < u.t ORDER BY u.i, j.at, j.entry_id`,
		[]any{&at, &no, &kind, &actor, &why, &alarm}, func(d *sealDay) error {
			e, err := journalEvidence(alarm)
			if err != nil {
				return fmt.Errorf("journal entry of alarm %d: %w", no, err)
			}
			e.At, e.Alarm, e.Kind, e.By, e.Why = at.UTC(), no, kind, actor, plainText(why)
			entries[d] = append(entries[d], e)
			if actor != evaluatorActor {
				people[actor] = append(people[actor], e)
			}
			return nil
		})
	for d, list := range entries {
		d.entries = list
	}
	return err
}

// journalEvidence reads an alarm as the journal keeps it.
func journalEvidence(alarm []byte) (*evidence.JournalEntry, error) {
	var a struct {
		Condition    string      `json:"condition"`
		Point        string      `json:"point"`
		Priority     string      `json:"priority"`
		RaisedAt     time.Time   `json:"raised_at"`
		KnownAt      time.Time   `json:"known_at"`
		ClearedAt    time.Time   `json:"cleared_at"`
		WithdrawnAt  time.Time   `json:"withdrawn_at"`
		SuppressedBy string      `json:"suppressed_by"`
		Causes       []causeJSON `json:"causes"`
	}
	if err := json.Unmarshal(alarm, &a); err != nil {
		return nil, err
	}
	micro := func(t time.Time) time.Time {
		if t.IsZero() {
			return time.Time{}
		}
		return t.UTC().Truncate(time.Microsecond)
	}
	e := &evidence.JournalEntry{Condition: a.Condition, Point: a.Point, Priority: a.Priority, RaisedAt: micro(a.RaisedAt), KnownAt: micro(a.KnownAt),
		ClearedAt: micro(a.ClearedAt), WithdrawnAt: micro(a.WithdrawnAt), SuppressedBy: a.SuppressedBy}
	for _, c := range a.Causes {
		e.Causes = append(e.Causes, c.Cause)
	}
	return e, nil
}

// plainText makes one printable line of text; "" when nothing is left.
func plainText(s string) string {
	s = strings.Map(func(r rune) rune {
		switch {
		case r == ' ' || unicode.IsPrint(r):
			return r
		case unicode.IsSpace(r):
			return ' '
		}
		return -1
	}, s)
	if s = strings.TrimSpace(s); s == "-" {
		return ""
	}
	return s
}

// hashPersons replaces persons, and what they wrote, by hashes with a salt for
// each person. The salts stay outside the log: once one is deleted its hashes
// name nobody.
func (s *Store) hashPersons(ctx context.Context, people personHashes) error {
	if len(people) == 0 {
		return nil
	}
	var names []string
	var fresh [][]byte
	for name := range people {
		salt := make([]byte, 32)
		rand.Read(salt) // never fails, crypto/rand
		names, fresh = append(names, name), append(fresh, salt)
	}
	salts := map[string][]byte{}
	err := withTx(ctx, s.sealing, pgx.TxOptions{}, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `INSERT INTO person_salt (name, salt) SELECT n, s FROM unnest($1::text[], $2::bytea[]) u(n, s) ORDER BY n
			ON CONFLICT DO NOTHING`, names, fresh); err != nil {
			return err
		}
		rows, err := tx.Query(ctx, `SELECT name, salt FROM person_salt WHERE name = ANY($1)`, names)
		if err != nil {
			return err
		}
		var name string
		var salt []byte
		_, err = pgx.ForEachRow(rows, []any{&name, &salt}, func() error {
			salts[name] = slices.Clone(salt)
			return nil
		})
		return err
	})
	if err != nil {
		return fmt.Errorf("salts of persons: %w", err)
	}
	for name, entries := range people {
		for _, e := range entries {
			e.By = "person:" + saltedHash(salts[name], name)
			if e.Why != "" {
				e.Why = "sha256:" + saltedHash(salts[name], e.Why)
			}
		}
	}
	return nil
}

func saltedHash(salt []byte, text string) string {
	h := sha256.Sum256(append(slices.Clone(salt), text...))
	return hex.EncodeToString(h[:])
}

// loadDeaf adds the times of each day in which no instance listened, the present
// one too.
func loadDeaf(ctx context.Context, tx pgx.Tx, s *daySpans, now time.Time) error {
	first, last := slices.MinFunc(s.from, time.Time.Compare), slices.MaxFunc(s.to, time.Time.Compare)
	rows, err := tx.Query(ctx, `SELECT from_at, to_at FROM deaf WHERE to_at > $1 AND from_at < $2 ORDER BY from_at`, first, last)
	if err != nil {
		return fmt.Errorf("times of deafness: %w", err)
	}
	spans, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (sp evidence.Span, err error) {
		err = r.Scan(&sp.From, &sp.To)
		return sp, err
	})
	if err != nil {
		return fmt.Errorf("times of deafness: %w", err)
	}
	beat, since, err := listening(ctx, tx, now)
	if err != nil {
		return fmt.Errorf("ask who listens: %w", err)
	}
	if since.IsZero() && !beat.IsZero() && beat.Before(now) {
		spans = append(spans, evidence.Span{From: beat, To: now})
	}
	for _, d := range s.days {
		d.day.Deaf = clipSpans(spans, d.from, d.to)
	}
	return nil
}

// clipSpans cuts spans, ordered by their start, to a day and joins those that
// touch.
func clipSpans(spans []evidence.Span, from, to time.Time) []evidence.Span {
	var out []evidence.Span
	for _, sp := range spans {
		sp.From, sp.To = later(sp.From.UTC(), from), sp.To.UTC()
		if sp.To.After(to) {
			sp.To = to
		}
		if !sp.From.Before(sp.To) {
			continue
		}
		if n := len(out); n > 0 && !out[n-1].To.Before(sp.From) {
			out[n-1].To = later(out[n-1].To, sp.To)
			continue
		}
		out = append(out, sp)
	}
	return out
}

// sectionLine is a line that a day's record has of something else than readings
// and alarms: a visit, a sensor check.
type sectionLine struct {
	property int32
	at       time.Time // of its recording: it is sealed with that day
	section  string    // such as "visits"
	line     string    // one line of plain text, without names of persons
}

// sectionLoader brings the lines of one section for properties, recorded in
// [from, to), in an order that does not change.
type sectionLoader func(ctx context.Context, tx pgx.Tx, properties []int32, from, to time.Time) ([]sectionLine, error)

func loadDaySections(ctx context.Context, tx pgx.Tx, s *daySpans) error {
	first, last := slices.MinFunc(s.from, time.Time.Compare), slices.MaxFunc(s.to, time.Time.Compare)
	nums := slices.Compact(slices.Sorted(slices.Values(s.nums)))
	for _, load := range sectionLoaders {
		lines, err := load(ctx, tx, nums, first, last)
		if err != nil {
			return fmt.Errorf("sections: %w", err)
		}
		for _, l := range lines {
			for i, d := range s.days {
				if s.nums[i] == l.property && !l.at.Before(d.from) && l.at.Before(d.to) {
					d.addLine(l.section, l.line)
				}
			}
		}
	}
	return nil
}

func (d *sealDay) addLine(section, line string) {
	if line = plainText(line); line == "" {
		return
	}
	i, found := slices.BinarySearchFunc(d.day.Sections, section, func(s evidence.Section, name string) int { return strings.Compare(s.Name, name) })
	if !found {
		d.day.Sections = slices.Insert(d.day.Sections, i, evidence.Section{Name: section})
	}
	d.day.Sections[i].Lines = append(d.day.Sections[i].Lines, line)
}
