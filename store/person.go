package store

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
)

// Person is somebody who signs in or is written to.
type Person struct {
	ID          int32
	Name        string
	Email       string // "": no mail
	Phone       string // E.164; "": no text messages
	Role        Role
	Scope       Scope  // of an operator always empty
	Language    string // "en" or "es"
	Units       string // "us", "si"; "": those of the property
	HasPassword bool   // may sign in by password
	CreatedAt   time.Time
	CreatedBy   string
	Disabled    time.Time // zero: not disabled
}

// NewPerson asks for a person.
type NewPerson struct {
	Name, Email, Phone string
	Role               Role
	// All gives managers, technicians and the warranty desk every property, also
	// those to come; else Properties are those that a person owns or is assigned.
	All             bool
	Properties      []string
	Language, Units string // "" for en, and for the property's own
	Password        string // in the clear; "": cannot sign in by password
	By              string // who adds the person, for the records
}

// PersonChange changes what is not nil; Grant and Withdraw add and take away
// properties by name.
type PersonChange struct {
	Name, Email, Phone, Language, Units, Password *string
	Role                                          *Role
	All, Disabled                                 *bool
	Grant, Withdraw                               []string
	By                                            string
}

var (
	emailForm = regexp.MustCompile(`^[^\s\x00-\x1f\x7f@]+@[^\s\x00-\x1f\x7f@]+$`)
	phoneForm = regexp.MustCompile(`^\+[1-9][0-9]{6,14}$`)
)

func checkPerson(p Person) error {
	role, ok := ParseRole(string(p.Role))
	switch {
	case p.Name == "" || len(p.Name) > 200:
		return inField("name", invalid("a person needs a name of at most 200 bytes"))
	case !ok:
		return inField("role", invalid("there is no role %q", p.Role))
	case p.Email != "" && (len(p.Email) > 254 || !emailForm.MatchString(p.Email)):
		return inField("email", invalid("%q is no e-mail address", p.Email))
	case p.Phone != "" && !phoneForm.MatchString(p.Phone):
		return inField("phone", invalid("phone %q: want a number as in +15550100200", p.Phone))
	case !slices.Contains([]string{"en", "es"}, p.Language):
		return inField("language", invalid("language %q: want en or es", p.Language))
	case !slices.Contains([]string{"", "us", "si"}, p.Units):
		return inField("units", invalid("units %q: want us or si", p.Units))
	case p.Scope.All && (role == RoleOwner || role == RoleOperator):
		return inField("all_properties", invalid("a person of role %s cannot have every property", role))
	case role == RoleOperator && len(p.Scope.Properties) > 0:
		return inField("properties", invalid("an operator has no properties"))
	}
	return nil
}

// AddPerson adds a person. ErrConflict when somebody who is not disabled has
// the e-mail address already.
func (s *Store) AddPerson(ctx context.Context, n NewPerson) (Person, error) {
	p := Person{Name: n.Name, Email: strings.TrimSpace(n.Email), Phone: n.Phone, Role: n.Role,
		Scope: Scope{All: n.All, Properties: n.Properties}, Language: n.Language, Units: n.Units}
	if p.Language == "" {
		p.Language = "en"
	}
	if err := errors.Join(checkPerson(p), mayGive(ctx, p.Scope)); err != nil {
		return Person{}, fmt.Errorf("add person: %w", err)
	}
	password, err := hashIfGiven(n.Password)
	if err != nil {
		return Person{}, fmt.Errorf("add person: %w", err)
	}
	err = withTx(ctx, s.api, pgx.TxOptions{}, func(tx pgx.Tx) error {
		if err := insertPerson(ctx, tx, &p, password, n.By); err != nil {
			return err
		}
		if err := grant(ctx, tx, p.ID, n.Properties); err != nil {
			return err
		}
		if p, err = personByID(ctx, tx, p.ID); err != nil {
			return err
		}
		return audit(ctx, tx, n.By, AuditEntry{Action: "person-add", Object: fmt.Sprintf("person %d", p.ID), Detail: string(p.Role)})
	})
	if err != nil {
		return Person{}, fmt.Errorf("add person %s: %w", n.Name, personError(err))
	}
	return p, nil
}

// mayGive refuses rights beyond the context's bounds: nobody gives more than they
// have.
func mayGive(ctx context.Context, rights Scope) error {
	own := bounds(ctx)
	if own.All {
		return nil
	}
	if rights.All {
		return inField("all_properties", invalid("every property can be given only by somebody who has every property"))
	}
	for _, p := range rights.Properties {
		if !own.Sees(p) {
			return inField("properties", notFound("property %s", p))
		}
	}
	return nil
}

// mayManage refuses to touch somebody whose rights go beyond the context's bounds:
// a new password or a link to sign in would hand those rights over.
func (s *Store) mayManage(ctx context.Context, person int32) error {
	if bounds(ctx).All {
		return nil
	}
	p, err := s.Person(asService(ctx), person) // within the bounds the other rights are not seen
	if err != nil {
		return err
	}
	if mayGive(ctx, p.Scope) != nil {
		return invalid("person %d has properties that you do not have", person)
	}
	return nil
}

func personError(err error) error {
	if isCode(err, codeUniqueViolation) {
		return inField("email", conflict("somebody has this e-mail address already"))
	}
	return err
}

func insertPerson(ctx context.Context, tx pgx.Tx, p *Person, password, by string) error {
	return tx.QueryRow(ctx, `INSERT INTO person (name, email, phone, role, all_properties, language, units, password, created_by)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9) RETURNING person_id`,
		p.Name, p.Email, p.Phone, string(p.Role), p.Scope.All, p.Language, p.Units, password, cutText(by, 200)).Scan(&p.ID)
}

func grant(ctx context.Context, tx pgx.Tx, person int32, properties []string) error {
	for _, name := range properties {
		tag, err := tx.Exec(ctx, `INSERT INTO person_property (person_id, property_id)
			SELECT $1, property_id FROM property WHERE name = $2
			ON CONFLICT (person_id, property_id) DO UPDATE SET property_id = excluded.property_id`, person, name)
		if err != nil {
			return err
		}
		if tag.RowsAffected() == 0 {
			return inField("properties", notFound("property %s", name))
		}
	}
	return nil
}

func withdraw(ctx context.Context, tx pgx.Tx, person int32, properties []string) error {
	_, err := tx.Exec(ctx, `DELETE FROM person_property pp USING property p
		WHERE pp.property_id = p.property_id AND pp.person_id = $1 AND p.name = ANY($2)`, person, properties)
	return err
}

// ChangePerson changes a person and returns how they stand then.
func (s *Store) ChangePerson(ctx context.Context, id int32, c PersonChange) (Person, error) {
	rights := Scope{All: c.All != nil && *c.All, Properties: c.Grant}
	if err := errors.Join(s.mayManage(ctx, id), mayGive(ctx, rights)); err != nil {
		return Person{}, fmt.Errorf("change person %d: %w", id, err)
	}
	var password *string
	if c.Password != nil {
		hash, err := hashIfGiven(*c.Password)
		if err != nil {
			return Person{}, fmt.Errorf("change person %d: %w", id, err)
		}
		password = &hash
	}
	var p Person
	err := withTx(ctx, s.api, pgx.TxOptions{}, func(tx pgx.Tx) (err error) {
		if _, err := tx.Exec(ctx, `SELECT FROM person WHERE person_id = $1 FOR UPDATE`, id); err != nil {
			return err
		}
		if p, err = personByID(ctx, tx, id); err != nil {
			return err
		}
		c.apply(&p)
		if p.Role == RoleOperator {
			p.Scope.Properties = nil
			if _, err := tx.Exec(ctx, `DELETE FROM person_property WHERE person_id = $1`, id); err != nil {
				return err
			}
		}
		if err := checkPerson(p); err != nil {
			return err
		}
		if err := c.write(ctx, tx, p, password); err != nil {
			return err
		}
		p, err = personByID(ctx, tx, id)
		return err
	})
	if err != nil {
		return Person{}, fmt.Errorf("change person %d: %w", id, personError(err))
	}
	return p, nil
}

func (c PersonChange) apply(p *Person) {
	for _, f := range []struct {
		to   *string
		from *string
	}{{&p.Name, c.Name}, {&p.Email, c.Email}, {&p.Phone, c.Phone}, {&p.Language, c.Language}, {&p.Units, c.Units}} {
		if f.from != nil {
			*f.to = strings.TrimSpace(*f.from)
		}
	}
	if c.Role != nil {
		p.Role = *c.Role
	}
	if c.All != nil {
		p.Scope.All = *c.All
	}
	p.Scope.Properties = append(slices.Clone(p.Scope.Properties), c.Grant...)
}

func (c PersonChange) write(ctx context.Context, tx pgx.Tx, p Person, password *string) error {
	_, err := tx.Exec(ctx, `UPDATE person SET name = $2, email = $3, phone = $4, role = $5, all_properties = $6, language = $7,
			units = $8, password = coalesce($9, password),
			disabled_at = CASE WHEN $10::bool THEN coalesce(disabled_at, now()) WHEN $10 IS FALSE THEN NULL ELSE disabled_at END
		WHERE person_id = $1`,
		p.ID, p.Name, p.Email, p.Phone, string(p.Role), p.Scope.All, p.Language, p.Units, password, c.Disabled)
	if err != nil {
		return err
	}
	if err := withdraw(ctx, tx, p.ID, c.Withdraw); err != nil {
		return err
	}
	if err := grant(ctx, tx, p.ID, c.Grant); err != nil {
		return err
	}
	disabled := c.Disabled != nil && *c.Disabled
	if password != nil || disabled {
		if err := endSessions(ctx, tx, p.ID); err != nil {
			return err
		}
	}
	return audit(ctx, tx, c.By, AuditEntry{Action: "person-change", Object: fmt.Sprintf("person %d", p.ID), Detail: changed(map[string]bool{
		"name": c.Name != nil, "email": c.Email != nil, "phone": c.Phone != nil, "language": c.Language != nil, "units": c.Units != nil,
		"password": password != nil, "role": c.Role != nil, "scope": c.All != nil || len(c.Grant)+len(c.Withdraw) > 0,
		"disabled": disabled, "enabled": c.Disabled != nil && !disabled,
	})})
}

// DisablePerson keeps a person from signing in and from being written to; what
// they did stays. ChangePerson lifts it.
func (s *Store) DisablePerson(ctx context.Context, id int32, by string) error {
	yes := true
	_, err := s.ChangePerson(ctx, id, PersonChange{Disabled: &yes, By: by})
	return err
}

const personColumns = `pe.person_id, pe.name, pe.email, pe.phone, pe.role, pe.all_properties,
	ARRAY(SELECT p.name FROM person_property pp JOIN property p USING (property_id) WHERE pp.person_id = pe.person_id ORDER BY p.name COLLATE "C"),
	pe.language, pe.units, pe.password <> '', pe.created_at, pe.created_by, pe.disabled_at`

func scanPerson(row pgx.Row, more ...any) (Person, error) {
	var p Person
	var disabled *time.Time
	dest := append([]any{&p.ID, &p.Name, &p.Email, &p.Phone, &p.Role, &p.Scope.All, &p.Scope.Properties,
		&p.Language, &p.Units, &p.HasPassword, &p.CreatedAt, &p.CreatedBy, &disabled}, more...)
	if err := row.Scan(dest...); err != nil {
		return Person{}, err
	}
	p.CreatedAt, p.Disabled = p.CreatedAt.UTC(), instant(disabled)
	return p, nil
}

func personByID(ctx context.Context, q querier, id int32) (Person, error) {
	p, err := scanPerson(q.QueryRow(ctx, `SELECT `+personColumns+` FROM person pe WHERE pe.person_id = $1`, id))
	if isNoRows(err) {
		return Person{}, notFound("person %d", id)
	}
	return p, err
}

// Person finds a person, disabled or not; ErrNotFound when there is none.
func (s *Store) Person(ctx context.Context, id int32) (Person, error) {
	p, err := personByID(ctx, s.api, id)
	if err != nil {
		return Person{}, fmt.Errorf("find person %d: %w", id, err)
	}
	return p, nil
}

// PersonByEmail finds the person who is not disabled and has the e-mail
// address, in whatever case; ErrNotFound when there is none.
func (s *Store) PersonByEmail(ctx context.Context, email string) (Person, error) {
	p, err := scanPerson(s.api.QueryRow(ctx, `SELECT `+personColumns+` FROM person pe
		WHERE lower(pe.email) = lower($1) AND pe.email <> '' AND pe.disabled_at IS NULL`, strings.TrimSpace(email)))
	if isNoRows(err) {
		return Person{}, notFound("person with e-mail address %s", email)
	}
	if err != nil {
		return Person{}, fmt.Errorf("find person by e-mail address: %w", err)
	}
	return p, nil
}

// PeopleQuery asks for a page of people, by id. Zero fields do not limit.
type PeopleQuery struct {
	Roles    []Role
	Property string // whoever owns it, is assigned to it or has every property
	Disabled bool   // also those disabled
	Cursor   string
	Limit    int
}

// People lists a page of people; next is "" at the end.
func (s *Store) People(ctx context.Context, q PeopleQuery) (page []Person, next string, err error) {
	var after int32
	if _, err := decodeCursor(q.Cursor, &after); err != nil {
		return nil, "", err
	}
	roles := make([]string, 0, len(q.Roles))
	for _, r := range q.Roles {
		roles = append(roles, string(r))
	}
	limit := pageSize(q.Limit)
	rows, err := s.api.Query(ctx, `SELECT `+personColumns+` FROM person pe
		WHERE pe.person_id > $1 AND (cardinality($2::text[]) = 0 OR pe.role = ANY($2)) AND ($3 OR pe.disabled_at IS NULL)
			AND ($4 = '' OR (pe.all_properties AND EXISTS (SELECT FROM property p WHERE p.name = $4)) OR EXISTS (
				SELECT FROM person_property pp JOIN property p USING (property_id) WHERE pp.person_id = pe.person_id AND p.name = $4))
		ORDER BY pe.person_id LIMIT $5`, after, roles, q.Disabled, q.Property, limit+1)
	if err != nil {
		return nil, "", fmt.Errorf("list people: %w", err)
	}
	page, err = pgx.CollectRows(rows, func(r pgx.CollectableRow) (Person, error) { return scanPerson(r) })
	if err != nil {
		return nil, "", fmt.Errorf("list people: %w", err)
	}
	if len(page) > limit {
		page, next = page[:limit], encodeCursor(page[limit-1].ID)
	}
	return page, next, nil
}
