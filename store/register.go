package store

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/store/site"
)

// Registration says what Register did.
type Registration struct {
	Property string
	Version  int32 // of the description that now stands for this file
	Created  bool  // the property is new
	Changed  bool  // false: the file said what is registered already
}

// Register adds or updates a property from its file, all or nothing. desc is
// what document says. A file with an effective day adds a version from that
// day on (or replaces the one of that day); one without corrects the version
// from the start. Nothing is overwritten: what a version replaces stays on
// record. The property is evaluated anew from where the change takes effect.
func (s *Store) Register(ctx context.Context, document []byte, desc site.Property, by string) (Registration, error) {
	out, err := s.register(ctx, []registrant{{desc: desc, document: document, by: by}})
	if err != nil {
		return Registration{}, err
	}
	return out[0], nil
}

// RegisterFile reads a property file of one or more documents and registers
// all of them or none. filename is for messages only. Problems of the file come
// as a *[site.FileError].
func (s *Store) RegisterFile(ctx context.Context, file []byte, filename, by string) ([]Registration, error) {
	descs, err := site.ParseProperties(file, filename)
	if err != nil {
		return nil, err
	}
	documents := [][]byte{file}
	if len(descs) > 1 {
		documents = splitDocuments(file)
	}
	if len(documents) != len(descs) {
		return nil, invalid("%s: %d documents but %d properties", filename, len(documents), len(descs))
	}
	set := make([]registrant, len(descs))
	for i := range descs {
		set[i] = registrant{desc: descs[i], document: documents[i], by: by}
	}
	return s.register(ctx, set)
}

// effectiveOf is the day from which a description holds, "" from the start.
func effectiveOf(p site.Property) string {
	if p.Effective == nil {
		return ""
	}
	return p.Effective.String()
}

// splitDocuments cuts a YAML stream at its document markers, which no other
// line can begin with, and drops documents that say nothing.
func splitDocuments(file []byte) [][]byte {
	var out [][]byte
	var current []byte
	says := false
	flush := func() {
		if says {
			out = append(out, current)
		}
		current, says = nil, false
	}
	for line := range bytes.Lines(file) {
		text := bytes.TrimSpace(line)
		if bytes.HasPrefix(line, []byte("---")) && (len(text) == 3 || line[3] == ' ' || line[3] == '\t') {
			flush()
			line, text = line[3:], bytes.TrimSpace(text[3:])
		}
		current = append(current, line...)
		says = says || len(text) > 0 && text[0] != '#' && string(text) != "..."
	}
	flush()
	return out
}

func (s *Store) register(ctx context.Context, set []registrant) ([]Registration, error) {
	for i := range set {
		if err := set[i].check(); err != nil {
			return nil, fmt.Errorf("register %s: %w", set[i].desc.ID, err)
		}
	}
	// In one order, so that two registrations never wait for each other.
	order := make([]*registrant, len(set))
	for i := range set {
		order[i] = &set[i]
	}
	// Versions of one property go from the first to the last.
	slices.SortStableFunc(order, func(a, b *registrant) int {
		return cmp.Or(strings.Compare(a.desc.ID, b.desc.ID), strings.Compare(effectiveOf(a.desc), effectiveOf(b.desc)))
	})
	err := retrying(ctx, func() error {
		return withTx(ctx, s.api, pgx.TxOptions{}, func(tx pgx.Tx) error {
			for _, r := range order {
				r.out = Registration{Property: r.desc.ID}
				if err := r.write(ctx, tx); err != nil {
					return fmt.Errorf("register %s: %w", r.desc.ID, err)
				}
			}
			return nil
		})
	})
	if err != nil {
		return nil, err
	}
	out := make([]Registration, len(set))
	for i := range set {
		out[i] = set[i].out
	}
	return out, s.RefreshRegistry(ctx)
}

// registrant carries one registration through its transaction.
type registrant struct {
	desc      site.Property
	document  []byte
	sha       [32]byte
	by        string
	installed time.Time
	from      time.Time // zero: from the start
	num       int32
	out       Registration
}

func (r *registrant) check() (err error) {
	r.sha = sha256.Sum256(r.document)
	if len(r.desc.Points) == 0 {
		return invalid("a property without points")
	}
	if r.installed, err = midnight(r.desc.Installed, r.desc.Timezone); err != nil {
		return err
	}
	if r.desc.Effective != nil {
		if r.from, err = midnight(*r.desc.Effective, r.desc.Timezone); err != nil {
			return err
		}
		if r.from.Before(r.installed) {
			return invalid("effective %v is before installed %v", *r.desc.Effective, r.desc.Installed)
		}
	}
	return nil
}

func (r *registrant) write(ctx context.Context, tx pgx.Tx) error {
	if err := r.lockProperty(ctx, tx); err != nil {
		return err
	}
	if err := r.addVersion(ctx, tx); err != nil || !r.out.Changed {
		return err
	}
	if err := r.updateProperty(ctx, tx); err != nil {
		return err
	}
	if err := r.addSeries(ctx, tx); err != nil {
		return err
	}
	if err := r.assignFromFile(ctx, tx); err != nil {
		return fmt.Errorf("terms of the file: %w", err)
	}
	if err := linkOwner(ctx, tx, r.num, r.desc.Owner, r.by); err != nil {
		return fmt.Errorf("owner of the file: %w", err)
	}
	entry := AuditEntry{Action: "property-register", Object: "property " + r.desc.ID, Detail: fmt.Sprintf("version %d", r.out.Version)}
	if err := audit(ctx, tx, r.by, entry); err != nil {
		return err
	}
	return r.announce(ctx, tx)
}

// lockProperty finds or creates the property and holds it to the end, so that
// numbers of versions, series and gateways are given one at a time.
func (r *registrant) lockProperty(ctx context.Context, tx pgx.Tx) error {
	const insert = `INSERT INTO property (name, title, timezone, accepts_from) VALUES ($1, $2, $3, $4)
		ON CONFLICT (name) DO NOTHING RETURNING property_id`
	err := tx.QueryRow(ctx, insert, r.desc.ID, cutText(r.desc.Name, 200), r.desc.Timezone, r.installed).Scan(&r.num)
	if err == nil {
		r.out.Created = true
		if r.desc.Effective != nil {
			return invalid("the first file of a property cannot have an effective day")
		}
		_, err = tx.Exec(ctx, `INSERT INTO evaluation (property_id) VALUES ($1)`, r.num)
		return err
	}
	if !isNoRows(err) {
		return err
	}
	r.num, err = lockProperty(ctx, tx, r.desc.ID)
	return err
}

func lockProperty(ctx context.Context, tx pgx.Tx, name string) (num int32, err error) {
	err = tx.QueryRow(ctx, `SELECT property_id FROM property WHERE name = $1 FOR NO KEY UPDATE`, name).Scan(&num)
	if isNoRows(err) {
		return 0, notFound("property %s", name)
	}
	return num, err
}

func (r *registrant) addVersion(ctx context.Context, tx pgx.Tx) error {
	const inForce = `SELECT version, sha256 FROM property_version WHERE property_id = $1 AND superseded_by IS NULL
		AND effective_from IS NOT DISTINCT FROM $2::date`
	var old int32
	var sha []byte
	err := tx.QueryRow(ctx, inForce, r.num, dateArg(r.desc.Effective)).Scan(&old, &sha)
	if err != nil && !isNoRows(err) {
		return err
	}
	if err == nil && [32]byte(sha) == r.sha {
		r.out.Version = old
		return nil
	}
	err = tx.QueryRow(ctx, `SELECT coalesce(max(version), 0) + 1 FROM property_version WHERE property_id = $1`, r.num).Scan(&r.out.Version)
	if err != nil {
		return err
	}
	if _, err := tx.Exec(ctx, `UPDATE property_version SET superseded_by = $3 WHERE property_id = $1 AND version = $2`,
		r.num, old, r.out.Version); err != nil {
		return err
	}
	_, err = tx.Exec(ctx, `INSERT INTO property_version (property_id, version, effective_from, document, sha256, registered_by)
		VALUES ($1, $2, $3, $4, $5, $6)`,
		r.num, r.out.Version, dateArg(r.desc.Effective), string(r.document), r.sha[:], cutText(r.by, 200))
	r.out.Changed = true
	return err
}

// updateProperty carries over what the fleet page needs; when and where the
// property was installed is the first version's to say, what it is called the
// latest file's.
func (r *registrant) updateProperty(ctx context.Context, tx pgx.Tx) error {
	_, err := tx.Exec(ctx, `UPDATE property SET title = $2, area = $3, revision = revision + 1,
			timezone = CASE WHEN $6 THEN $4 ELSE timezone END,
			accepts_from = CASE WHEN $6 THEN $5 ELSE accepts_from END
		WHERE property_id = $1`,
		r.num, cutText(r.desc.Name, 200), cutText(r.desc.Area, 200), r.desc.Timezone, r.installed, r.desc.Effective == nil)
	return err
}

// addSeries gives numbers to what is measured for the first time, and retires
// what no version in force describes any more.
func (r *registrant) addSeries(ctx context.Context, tx pgx.Tx) error {
	points, quantities, err := r.described(ctx, tx)
	if err != nil {
		return err
	}
	if _, err := tx.Exec(ctx, `
		INSERT INTO series (property_id, series_id, point, quantity)
		SELECT $1, (SELECT coalesce(max(series_id), -1) FROM series WHERE property_id = $1) + row_number() OVER (ORDER BY min(u.i)), u.point, u.quantity
		FROM unnest($2::text[], $3::int2[]) WITH ORDINALITY u(point, quantity, i)
		WHERE NOT EXISTS (SELECT 1 FROM series s WHERE s.property_id = $1 AND s.point = u.point AND s.quantity = u.quantity)
		GROUP BY u.point, u.quantity`,
		r.num, points, quantities); err != nil {
		return err
	}
	_, err = tx.Exec(ctx, `
		UPDATE series s SET described = d.now
		FROM (SELECT series_id, (point, quantity) IN (SELECT * FROM unnest($2::text[], $3::int2[])) AS now
			FROM series WHERE property_id = $1 AND point <> '`+StationPoint+`') d
		WHERE s.property_id = $1 AND s.series_id = d.series_id AND s.described <> d.now`,
		r.num, points, quantities)
	return err
}

// described lists what any version in force measures, with repetitions.
func (r *registrant) described(ctx context.Context, tx pgx.Tx) (points []string, quantities []int16, err error) {
	rows, err := tx.Query(ctx, `SELECT version, document FROM property_version
		WHERE property_id = $1 AND superseded_by IS NULL ORDER BY effective_from NULLS FIRST`, r.num)
	if err != nil {
		return nil, nil, err
	}
	var d document
	_, err = pgx.ForEachRow(rows, []any{&d.version, &d.text}, func() error {
		desc := r.desc
		if d.version != r.out.Version {
			if desc, err = site.ParseProperty([]byte(d.text), r.desc.ID); err != nil {
				return fmt.Errorf("version %d: %w", d.version, err)
			}
		}
		for _, p := range desc.Points {
			for _, q := range p.Measures {
				points, quantities = append(points, p.ID), append(quantities, int16(q))
			}
		}
		return nil
	})
	return points, quantities, err
}

// announce makes the property due from where the change takes effect and tells
// every service to look at the registry.
func (r *registrant) announce(ctx context.Context, tx pgx.Tx) error {
	from := r.from
	if from.IsZero() {
		from = r.installed
	}
	if _, err := tx.Exec(ctx, `DELETE FROM checkpoint WHERE property_id = $1 AND ($3 OR at >= $2)`,
		r.num, from, r.desc.Effective == nil); err != nil {
		return err
	}
	if _, err := tx.Exec(ctx, `INSERT INTO due (property_id, earliest_at, received_at) VALUES ($1, $2, now())`, r.num, from); err != nil {
		return err
	}
	return notifyRegistry(ctx, tx, r.desc.ID)
}

func notifyRegistry(ctx context.Context, tx pgx.Tx, property string) error {
	_, err := tx.Exec(ctx, `SELECT pg_notify($1, $2)`, registryChannel, property)
	return err
}

func dateArg(d *site.Date) any {
	if d == nil {
		return nil
	}
	return time.Date(d.Year, d.Month, d.Day, 0, 0, 0, 0, time.UTC)
}
