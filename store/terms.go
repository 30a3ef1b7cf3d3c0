package store

import (
	"context"
	"crypto/sha256"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/store/site"
)

// TermsVersion is one version of a set of warranty terms, as its file says.
type TermsVersion struct {
	Name      string
	Version   int
	Effective *site.Date // nil: from the start
	Document  []byte
	AddedAt   time.Time
	AddedBy   string
}

// TermsVersions are the company's own sets, by name and version.
func (s *Store) TermsVersions(ctx context.Context) ([]TermsVersion, error) {
	return collect(ctx, s.api, "warranty terms", func(r pgx.CollectableRow) (v TermsVersion, err error) {
		var effective *time.Time
		err = r.Scan(&v.Name, &v.Version, &effective, &v.Document, &v.AddedAt, &v.AddedBy)
		v.Effective, v.AddedAt = dateOf(effective), v.AddedAt.UTC()
		return v, err
	}, `SELECT name, version, effective_from, document::bytea, added_at, added_by FROM warranty_terms ORDER BY name, version`)
}

func dateOf(t *time.Time) *site.Date {
	if t == nil {
		return nil
	}
	d := site.DateOf(*t)
	return &d
}

// lastZone is how far the first place on earth is ahead of UTC: a day that is
// after today there is after today everywhere.
const lastZone = 14 * time.Hour

// AddTerms adds the next version of a set. It holds from a day that has begun
// nowhere yet, so that no earlier period is judged by it; the first version of a
// set may hold from the start. Adding the same again changes nothing.
func (s *Store) AddTerms(ctx context.Context, v TermsVersion, now time.Time) error {
	sum := sha256.Sum256(v.Document)
	err := retrying(ctx, func() error {
		return withTx(ctx, s.api, pgx.TxOptions{}, func(tx pgx.Tx) error {
			if _, err := tx.Exec(ctx, `SELECT pg_advisory_xact_lock(hashtext('underkeep terms'))`); err != nil {
				return err
			}
			var last int
			var same []byte
			var from *time.Time
			err := tx.QueryRow(ctx, `SELECT coalesce(max(version), 0), (SELECT sha256 FROM warranty_terms WHERE name = $1 AND version = $2),
				max(effective_from) FROM warranty_terms WHERE name = $1`, v.Name, v.Version).Scan(&last, &same, &from)
			switch {
			case err != nil:
				return err
			case same != nil && [32]byte(same) == sum:
				return nil
			case same != nil:
				return conflict("version %d of %s stands and is never changed; add version %d", v.Version, v.Name, last+1)
			case v.Version != last+1:
				return conflict("the next version of %s is %d, not %d", v.Name, last+1, v.Version)
			case v.Version > 1 && !startsLater(v.Effective, now):
				return conflict("version %d of %s must hold from a day after today: no earlier period may change", v.Version, v.Name)
			case from != nil && v.Effective != nil && !site.DateOf(*from).Before(*v.Effective):
				return conflict("version %d of %s must hold from a day after %s", v.Version, v.Name, site.DateOf(*from))
			}
			_, err = tx.Exec(ctx, `INSERT INTO warranty_terms (name, version, effective_from, document, sha256, added_at, added_by)
				VALUES ($1, $2, $3, $4, $5, $6, $7)`, v.Name, v.Version, dateArg(v.Effective), string(v.Document), sum[:], now, cutText(v.AddedBy, 200))
			return err
		})
	})
	if err != nil {
		return fmt.Errorf("add terms %s version %d: %w", v.Name, v.Version, err)
	}
	return nil
}

func startsLater(d *site.Date, now time.Time) bool {
	return d != nil && site.DateOf(now.UTC().Add(lastZone)).Before(*d)
}

// TermsAssignment says which set of terms holds at a property from a day on.
type TermsAssignment struct {
	From       site.Date
	Terms      string
	Origin     string    // file: the property file; desk: somebody at the desk
	AssignedAt time.Time // zero: by a file registered before assignments were kept
	AssignedBy string
}

const (
	originFile = "file"
	originDesk = "desk"
)

// TermsAssigned are the assignments at a property that take effect, by day.
func (s *Store) TermsAssigned(ctx context.Context, scope Scope, property string) ([]TermsAssignment, error) {
	reg, ok := s.Registered(ctx, property)
	if !ok || !scope.Sees(property) {
		return nil, notFound("property %s", property)
	}
	rows, err := collect(ctx, s.api, "terms of "+property, scanAssignment, assignmentsSQL, reg.Num)
	if err != nil || len(rows) > 0 {
		return rows, err
	}
	return fromFiles(reg)
}

// Of several assignments from one day the latest stands.
const assignmentsSQL = `SELECT DISTINCT ON (from_day) from_day, terms, origin, assigned_at, assigned_by FROM terms_assignment
	WHERE property_id = $1 ORDER BY from_day, assignment_no DESC`

func scanAssignment(r pgx.CollectableRow) (a TermsAssignment, err error) {
	var day time.Time
	err = r.Scan(&day, &a.Terms, &a.Origin, &a.AssignedAt, &a.AssignedBy)
	a.From, a.AssignedAt = site.DateOf(day), a.AssignedAt.UTC()
	return a, err
}

// fromFiles is what the property files of before say.
func fromFiles(reg *Registered) ([]TermsAssignment, error) {
	versions, err := reg.Versions()
	if err != nil {
		return nil, err
	}
	var out []TermsAssignment
	for _, v := range versions {
		from := v.Property.Installed
		if v.Property.Effective != nil {
			from = *v.Property.Effective
		}
		if name := v.Property.WarrantyTerms; name != "" && (len(out) == 0 || out[len(out)-1].Terms != name) {
			out = append(out, TermsAssignment{From: from, Terms: name, Origin: originFile})
		}
	}
	return out, nil
}

// AssignTerms lets a set of terms hold at a property from a day on. A day that
// is over, or today, can be chosen only while no terms are in force from it on:
// no earlier period may change.
func (s *Store) AssignTerms(ctx context.Context, scope Scope, property string, a TermsAssignment, now time.Time) error {
	reg, ok := s.Registered(ctx, property)
	if !ok || !scope.Sees(property) {
		return notFound("property %s", property)
	}
	inFiles, err := fromFiles(reg)
	if err != nil {
		return err
	}
	err = retrying(ctx, func() error {
		return withTx(ctx, s.api, pgx.TxOptions{}, func(tx pgx.Tx) error {
			num, err := lockProperty(ctx, tx, property)
			if err != nil {
				return err
			}
			stand, err := collect(ctx, tx, "terms of "+property, scanAssignment, assignmentsSQL, num)
			if err != nil {
				return err
			}
			if len(stand) == 0 {
				for _, f := range inFiles { // from now on they are kept
					f.AssignedAt, f.AssignedBy = now, "property file"
					if err := insertAssignment(ctx, tx, num, f); err != nil {
						return err
					}
				}
				stand = inFiles
			}
			if len(stand) > 0 && !startsLater(&a.From, now) {
				return inField("from", conflict("terms are in force from %s on; others can be assigned from a day after today", stand[0].From))
			}
			if a.From.Before(site.DateOf(reg.AcceptsFrom.In(zoneOf(reg)))) {
				return inField("from", invalid("%s is before the installation", a.From))
			}
			a.Origin, a.AssignedAt = originDesk, now
			return insertAssignment(ctx, tx, num, a)
		})
	})
	if err != nil {
		return fmt.Errorf("assign %s to %s: %w", a.Terms, property, err)
	}
	return nil
}

func zoneOf(reg *Registered) *time.Location {
	loc, err := time.LoadLocation(reg.Zone)
	if err != nil {
		return time.UTC
	}
	return loc
}

func insertAssignment(ctx context.Context, tx pgx.Tx, num int32, a TermsAssignment) error {
	_, err := tx.Exec(ctx, `INSERT INTO terms_assignment (property_id, assignment_no, from_day, terms, origin, assigned_at, assigned_by)
		SELECT $1, coalesce(max(assignment_no), 0) + 1, $2, $3, $4, $5, $6 FROM terms_assignment WHERE property_id = $1`,
		num, dateArg(&a.From), a.Terms, a.Origin, a.AssignedAt, cutText(a.AssignedBy, 200))
	return err
}

// assignFromFile keeps what a property file says of terms. The first time it
// holds from the start of that description; later only from tomorrow on, or
// from the file's own effective day where that is later still.
func (r *registrant) assignFromFile(ctx context.Context, tx pgx.Tx) error {
	if r.desc.WarrantyTerms == "" {
		return nil
	}
	stand, err := collect(ctx, tx, "terms", scanAssignment, assignmentsSQL, r.num)
	if err != nil {
		return err
	}
	var now, day time.Time
	if err := tx.QueryRow(ctx, `SELECT now(), (now() AT TIME ZONE $1)::date + 1`, r.desc.Timezone).Scan(&now, &day); err != nil {
		return err
	}
	a := TermsAssignment{From: r.desc.Installed, Terms: r.desc.WarrantyTerms, Origin: originFile, AssignedAt: now, AssignedBy: r.by}
	if r.desc.Effective != nil {
		a.From = *r.desc.Effective
	}
	if len(stand) > 0 {
		if tomorrow := site.DateOf(day); a.From.Before(tomorrow) {
			a.From = tomorrow
		}
		for i := len(stand) - 1; i >= 0; i-- {
			if !a.From.Before(stand[i].From) {
				if stand[i].Terms == a.Terms {
					return nil
				}
				break
			}
		}
	}
	return insertAssignment(ctx, tx, r.num, a)
}
