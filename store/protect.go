package store

import (
	"context"
	"database/sql"
	"fmt"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"
)

// The roles that the service's connections take on. They own nothing.
const (
	roleAPI    = "underkeep_api"
	roleIngest = "underkeep_ingest"
	roleJobs   = "underkeep_jobs"
)

// secret tables are for the API alone: whoever signs in comes through it.
var secretTables = []string{"session", "sign_in_failure", "sign_in_link", "idempotency_key", "token", "token_property", "gateway_credential"}

// ingestWrites is all that taking readings writes.
var ingestWrites = []string{"readings", "contact", "due", "quarantine", "quarantine_payload", "listening", "deaf", "late_reading"}

// rights says what a role may do to a table, in SQL's words.
func rights(role, schema, table string) []string {
	const read, add = "SELECT", "INSERT"
	all := []string{read, add, "UPDATE", "DELETE"}
	switch {
	case strings.HasPrefix(table, "goose_"):
		return []string{read}
	case table == "audit_entry":
		return []string{read, add}
	case role == roleAPI:
		if slices.Contains([]string{"readings", "contact", "listening", "deaf"}, table) {
			return []string{read}
		}
		return all
	case slices.Contains(secretTables, table):
		return nil
	case role == roleIngest:
		switch {
		case schema == jobSchema:
			return all // a message may cause a job
		case slices.Contains(ingestWrites, table):
			return []string{read, add, "UPDATE"}
		case table == "person" || table == "person_property":
			return nil
		}
		return []string{read}
	case slices.Contains([]string{"person", "person_property", "property", "property_version", "series", "gateway"}, table):
		return []string{read}
	}
	return all
}

// protect turns on row-level security for every table with rows of a property
// and grants the roles their rights, where either is missing. It is called
// after each migration, by the role that owns the tables.
func protect(ctx context.Context, db *sql.DB) error {
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("protect tables: %w", err)
	}
	defer tx.Rollback() //nolint:errcheck // after a commit there is nothing to undo
	statements := []string{
		`SELECT pg_advisory_xact_lock(hashtext('underkeep roles'))`,
		// A grant and an attached partition both rewrite the table's row in the
		// catalogue; without the lock one of them fails ("tuple concurrently updated").
		partitionLock,
		`SET LOCAL lock_timeout = '10s'`,
		`SELECT protect_tables()`,
	}
	missing, err := missingGrants(ctx, tx)
	if err != nil {
		return fmt.Errorf("protect tables: %w", err)
	}
	for _, s := range append(statements, missing...) {
		if _, err := tx.ExecContext(ctx, s); err != nil {
			return fmt.Errorf("protect tables: %s: %w", s, err)
		}
	}
	return tx.Commit()
}

// missingGrants lists statements; none where the roles do not exist.
func missingGrants(ctx context.Context, tx *sql.Tx) ([]string, error) {
	rows, err := tx.QueryContext(ctx, `
		SELECT r.rolname, n.nspname, c.relname, has_schema_privilege(r.oid, n.oid, 'USAGE'), c.relkind = 'S',
			concat_ws(',', CASE WHEN has_table_privilege(r.oid, c.oid, 'SELECT') THEN 'SELECT' END,
				CASE WHEN has_table_privilege(r.oid, c.oid, 'INSERT') THEN 'INSERT' END,
				CASE WHEN has_table_privilege(r.oid, c.oid, 'UPDATE') THEN 'UPDATE' END,
				CASE WHEN has_table_privilege(r.oid, c.oid, 'DELETE') THEN 'DELETE' END)
		FROM pg_roles r CROSS JOIN pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace
		WHERE r.rolname = ANY (string_to_array($1, ',')) AND n.nspname IN ('public', '`+jobSchema+`')
			AND (c.relkind IN ('r', 'p') OR c.relkind = 'S' AND n.nspname = '`+jobSchema+`')
			AND NOT c.relispartition AND pg_has_role(current_user, c.relowner, 'USAGE')
		ORDER BY r.rolname, n.nspname, c.relname`, strings.Join([]string{roleAPI, roleIngest, roleJobs}, ","))
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []string
	for rows.Next() {
		var role, schema, table, has string
		var enters, sequence bool
		if err := rows.Scan(&role, &schema, &table, &enters, &sequence, &has); err != nil {
			return nil, err
		}
		to := " TO " + pgx.Identifier{role}.Sanitize()
		if !enters {
			out = append(out, "GRANT USAGE ON SCHEMA "+pgx.Identifier{schema}.Sanitize()+to)
		}
		name := pgx.Identifier{schema, table}.Sanitize()
		if sequence {
			if !strings.Contains(has, "UPDATE") {
				out = append(out, "GRANT USAGE, SELECT, UPDATE ON SEQUENCE "+name+to)
			}
			continue
		}
		held := strings.Split(has, ",")
		lacks := slices.DeleteFunc(rights(role, schema, table), func(r string) bool { return slices.Contains(held, r) })
		if len(lacks) > 0 {
			out = append(out, "GRANT "+strings.Join(lacks, ", ")+" ON "+name+to)
		}
	}
	return out, rows.Err()
}

// takeRole makes a new connection act as role, where the role exists, may be
// taken on and has been given its rights; before the first migration and where
// nobody has made the roles, the connection stays what it is.
func takeRole(ctx context.Context, conn *pgx.Conn, role string) (bool, error) {
	var taken string
	err := conn.QueryRow(ctx, `SELECT set_config('role', r.rolname, false) FROM pg_roles r
		WHERE r.rolname = $1 AND pg_has_role(current_user, r.oid, 'MEMBER')
			AND has_table_privilege(r.oid, to_regclass('public.property')::oid, 'SELECT')`, role).Scan(&taken)
	if isNoRows(err) {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("take on role %s: %w", role, err)
	}
	return true, nil
}

// Separated says whether the API runs on a role that owns nothing. Where it
// does not, row-level security holds all the same, since it is forced.
func (s *Store) Separated(ctx context.Context) (bool, error) {
	var role string
	if err := s.api.QueryRow(ctx, `SELECT current_user`).Scan(&role); err != nil {
		return false, fmt.Errorf("ask for the role of the API: %w", err)
	}
	return role == roleAPI, nil
}
