package store

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/store/evidence"
	"underkeep/store/site"
)

// storedRecord is a record of the log as it is kept.
type storedRecord struct {
	property  int32
	date      string
	from      time.Time
	amendment int16
	leaf      int64
	hash      [32]byte
	packed    evidence.Packed
}

// recordsOf loads records by a condition over sealed_day d, in order of
// property, day and amendment, with their readings.
func (s *Store) recordsOf(ctx context.Context, where string, args ...any) ([]storedRecord, error) {
	rows, err := s.api.Query(ctx, `SELECT d.property_id, d.day::text, d.from_at, d.amendment, d.leaf_no, d.leaf_sha256, d.frame,
			coalesce(b.point, ''), coalesce(g.name, ''), b.data
		FROM sealed_day d
		LEFT JOIN sealed_block b ON b.property_id = d.property_id AND b.from_at = d.from_at AND b.amendment = d.amendment
		LEFT JOIN gateway g ON g.property_id = b.property_id AND g.gateway_id = b.gateway_id
		WHERE d.leaf_no IS NOT NULL AND `+where+`
		ORDER BY d.property_id, d.day, d.amendment, b.point COLLATE "C", g.name COLLATE "C"`, args...)
	if err != nil {
		return nil, fmt.Errorf("read sealed days: %w", err)
	}
	var out []storedRecord
	var r storedRecord
	var hash, frame, data []byte
	var point, gateway string
	_, err = pgx.ForEachRow(rows, []any{&r.property, &r.date, &r.from, &r.amendment, &r.leaf, &hash, &frame, &point, &gateway, &data}, func() error {
		if n := len(out); n == 0 || out[n-1].leaf != r.leaf {
			next := r
			next.hash, next.packed.Frame = [32]byte(hash), slices.Clone(frame)
			out = append(out, next)
		}
		if data != nil {
			last := &out[len(out)-1].packed
			last.Blocks = append(last.Blocks, evidence.PackedBlock{Point: point, Gateway: gateway, Data: slices.Clone(data)})
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("read sealed days: %w", err)
	}
	return out, nil
}

// EvidenceBundle puts together what the log has of a property's days from
// through through, both inclusive, with proofs against the latest checkpoint
// that was published. Days that are not in it are named. The caller adds terms
// and verdict, and writes it with evidence.BuildBundle.
func (s *Store) EvidenceBundle(ctx context.Context, scope Scope, property string, from, through site.Date) (*evidence.Bundle, error) {
	p, ok := s.Registered(ctx, property)
	if !ok || !scope.Sees(property) {
		return nil, notFound("property %s", property)
	}
	if through.Before(from) {
		return nil, invalid("evidence from %s through %s", from, through)
	}
	signed, err := s.PublishedCheckpoint(ctx)
	if err != nil {
		return nil, err
	}
	b := &evidence.Bundle{Property: property, From: from, Through: through, Checkpoint: signed}
	if b.Keys, err = s.signedBy(ctx, signed); err != nil {
		return nil, err
	}
	c, err := evidence.OpenCheckpoint(signed, b.Keys)
	if err != nil {
		return nil, badLog("%w", err)
	}
	records, err := s.recordsOf(ctx, `d.property_id = $1 AND d.day >= $2::text::date AND d.day <= $3::text::date AND d.leaf_no < $4`,
		p.Num, from.String(), through.String(), c.Size)
	if err != nil {
		return nil, fmt.Errorf("evidence of %s: %w", property, err)
	}
	also, err := s.recordsBeside(ctx, p, from, through, c.Size)
	if err != nil {
		return nil, fmt.Errorf("evidence of %s: %w", property, err)
	}
	if err := s.fillBundle(ctx, b, c.Tree, records, also); err != nil {
		return nil, fmt.Errorf("evidence of %s: %w", property, err)
	}
	return b, s.addDescriptions(ctx, b, p)
}

// signedBy are the log's keys that have signed a checkpoint, in the order of
// their signatures.
func (s *Store) signedBy(ctx context.Context, signed []byte) (evidence.Keys, error) {
	public, err := s.EvidenceKeys(ctx)
	if err != nil {
		return evidence.Keys{}, err
	}
	return evidence.SignedBy(signed, public)
}

// besideSQL are the times at which something was recorded that bears on a period
// from $2 to $3: of each sensor the last check before it that stands, checks
// and what was withdrawn of them, the last visit of each kind before it, visits,
// outages, terms, and descriptions of before.
const besideSQL = `
	SELECT recorded_at FROM (SELECT DISTINCT ON (c.point, c.serial) c.recorded_at FROM (SELECT *, CASE
			WHEN recorded_at >= ((at AT TIME ZONE $4)::date + 1)::timestamp AT TIME ZONE $4 + $5::interval THEN recorded_at ELSE at END AS counts_from
			FROM sensor_check WHERE property_id = $1 AND withdrawn_at IS NULL) c
		WHERE counts_from < $2 ORDER BY c.point, c.serial, counts_from DESC, check_no DESC) c
	UNION SELECT recorded_at FROM sensor_check WHERE property_id = $1 AND at >= $2 AND at < $3
	UNION SELECT withdrawn_at FROM sensor_check WHERE property_id = $1 AND withdrawn_at IS NOT NULL AND (at >= $2 AND at < $3 OR recorded_at >= $2 AND recorded_at < $3)
	UNION SELECT ended_at FROM (SELECT DISTINCT ON (kind) ended_at FROM visit
		WHERE property_id = $1 AND state = 'done' AND started_at < $2 ORDER BY kind, started_at DESC, visit_no DESC) v
	UNION SELECT ended_at FROM visit WHERE property_id = $1 AND state = 'done' AND started_at >= $2 AND started_at < $3
	UNION SELECT reported_at FROM outage WHERE property_id = $1 AND from_at < $3 AND to_at > $2
	UNION SELECT assigned_at FROM (SELECT assigned_at FROM terms_assignment
		WHERE property_id = $1 AND from_day <= ($2 AT TIME ZONE $4)::date ORDER BY from_day DESC, assignment_no DESC LIMIT 1) t
	UNION SELECT assigned_at FROM terms_assignment WHERE property_id = $1 AND from_day > ($2 AT TIME ZONE $4)::date AND from_day < ($3 AT TIME ZONE $4)::date
	UNION SELECT coalesce(effective_from::timestamp AT TIME ZONE $4, (SELECT min(from_at) FROM sealed_day WHERE property_id = $1 AND amendment = 0 AND leaf_no IS NOT NULL))
		FROM property_version WHERE property_id = $1 AND (effective_from IS NULL OR effective_from <= ($2 AT TIME ZONE $4)::date)`

// recordsBeside are the records of days outside a period on which something was
// recorded that bears on it, without amendments, which hold nothing of the kind.
func (s *Store) recordsBeside(ctx context.Context, p *Registered, from, through site.Date, size int64) ([]storedRecord, error) {
	zone := zoneOf(p)
	rows, err := s.api.Query(ctx, besideSQL, p.Num, from.In(zone), through.AddDays(1).In(zone), p.Zone, s.SealDelay())
	if err != nil {
		return nil, fmt.Errorf("what was recorded beside the period: %w", err)
	}
	times, err := pgx.CollectRows(rows, pgx.RowTo[*time.Time])
	if err != nil {
		return nil, fmt.Errorf("what was recorded beside the period: %w", err)
	}
	var days []string
	for _, t := range times {
		if t == nil {
			continue // nothing is sealed yet
		}
		if d := site.DateOf(t.In(zone)); (d.Before(from) || through.Before(d)) && !slices.Contains(days, d.String()) {
			days = append(days, d.String())
		}
	}
	if len(days) == 0 {
		return nil, nil
	}
	return s.recordsOf(ctx, `d.property_id = $1 AND d.day = ANY($2::text[]::date[]) AND d.amendment = 0 AND d.leaf_no < $3`, p.Num, days, size)
}

// fillBundle adds records with their proofs, and the days without one.
func (s *Store) fillBundle(ctx context.Context, b *evidence.Bundle, tree evidence.Tree, records, also []storedRecord) error {
	source := cachedTiles(logTiles(ctx, s.api))
	sealed := map[string]bool{}
	for i := range records {
		r, err := bundled(&records[i], tree, source)
		if err != nil {
			return err
		}
		sealed[records[i].date] = true
		b.Records = append(b.Records, r)
	}
	for i := range also {
		r, err := bundled(&also[i], tree, source)
		if err != nil {
			return err
		}
		b.Also = append(b.Also, r)
	}
	for date := b.From; !b.Through.Before(date); date = date.AddDays(1) {
		if !sealed[date.String()] {
			b.Missing = append(b.Missing, date)
		}
	}
	return nil
}

// bundled is a record with its text and its proof.
func bundled(r *storedRecord, tree evidence.Tree, source evidence.TileSource) (evidence.BundleRecord, error) {
	var out evidence.BundleRecord
	d, err := r.packed.Unpack()
	if err != nil {
		return out, badLog("record %d: %w", r.leaf, err)
	}
	if out.Text, err = d.Text(); err != nil {
		return out, badLog("record %d: %w", r.leaf, err)
	}
	if evidence.LeafHash(out.Text) != r.hash {
		return out, badLog("record %d, of %s, is not what was sealed", r.leaf, r.date)
	}
	path, err := tree.ProveRecord(source, r.leaf)
	out.Proof = evidence.RecordProof{Leaf: r.leaf, Size: tree.Size, Hash: r.hash, Path: path}
	return out, err
}

// cachedTiles reads each tile once; for as long as one answer takes.
func cachedTiles(source evidence.TileSource) evidence.TileSource {
	known := map[evidence.TileID][]byte{}
	return func(ids []evidence.TileID) ([][]byte, error) {
		var missing []evidence.TileID
		for _, id := range ids {
			if _, ok := known[id]; !ok {
				missing = append(missing, id)
			}
		}
		if len(missing) > 0 {
			got, err := source(missing)
			if err != nil {
				return nil, err
			}
			for i, id := range missing {
				known[id] = got[i]
			}
		}
		out := make([][]byte, len(ids))
		for i, id := range ids {
			out[i] = known[id]
		}
		return out, nil
	}
}

// addDescriptions adds the property files that the records name.
func (s *Store) addDescriptions(ctx context.Context, b *evidence.Bundle, p *Registered) error {
	b.Descriptions = map[[32]byte][]byte{}
	var sums [][]byte
	for _, r := range slices.Concat(b.Records, b.Also) {
		head, err := evidence.ParseHead(r.Text)
		if err != nil {
			return err
		}
		sums = append(sums, head.Description.SHA256[:])
	}
	rows, err := s.api.Query(ctx, `SELECT DISTINCT sha256, document FROM property_version WHERE property_id = $1 AND sha256 = ANY($2)`, p.Num, sums)
	if err != nil {
		return fmt.Errorf("descriptions of %s: %w", p.ID, err)
	}
	var sum []byte
	var document string
	_, err = pgx.ForEachRow(rows, []any{&sum, &document}, func() error {
		b.Descriptions[[32]byte(sum)] = []byte(document)
		return nil
	})
	if err != nil {
		return fmt.Errorf("descriptions of %s: %w", p.ID, err)
	}
	return nil
}
