package store

import (
	"cmp"
	"context"
	"strings"

	"github.com/jackc/pgx/v5"

	"underkeep/store/site"
)

// linkOwner gives the property to the person whom its file names as owner, and
// makes that person where nobody has the e-mail address. It only ever adds:
//
//   - Somebody of another role keeps that role and gets nothing by a file: a
//     technician is assigned by a manager, not by an address in a file.
//   - Somebody disabled stays so, and is not made a second time.
//   - An owner whom a later file no longer names keeps the property until a
//     manager withdraws it: a misspelt address must not cut an owner off.
func linkOwner(ctx context.Context, tx pgx.Tx, property int32, o site.Owner, by string) error {
	if o.Email == "" || !emailForm.MatchString(o.Email) {
		return nil
	}
	p := Person{Name: cmp.Or(cutText(o.Name, 200), o.Email), Email: o.Email, Phone: dialled(o.Phone), Role: RoleOwner, Language: "en"}
	if tag, _, _ := strings.Cut(strings.ToLower(o.Language), "-"); tag == "es" {
		p.Language = "es"
	}
	if _, err := tx.Exec(ctx, `INSERT INTO person (name, email, phone, role, all_properties, language, created_by)
		SELECT $1, $2, $3, 'owner', false, $4, $5
		WHERE NOT EXISTS (SELECT FROM person WHERE lower(email) = lower($2))
		ON CONFLICT (lower(email)) WHERE email <> '' AND disabled_at IS NULL DO NOTHING`,
		p.Name, p.Email, p.Phone, p.Language, cutText("property file, "+by, 200)); err != nil {
		return err
	}
	_, err := tx.Exec(ctx, `INSERT INTO person_property (person_id, property_id)
		SELECT person_id, $2 FROM person WHERE lower(email) = lower($1) AND role = 'owner' AND disabled_at IS NULL
		ON CONFLICT DO NOTHING`, o.Email, property)
	return err
}

// dialled is a phone number as it is dialled from abroad, "" where it is not
// written that way.
func dialled(phone string) string {
	n := strings.NewReplacer(" ", "", "-", "", ".", "", "(", "", ")", "").Replace(phone)
	if !phoneForm.MatchString(n) {
		return ""
	}
	return n
}
