package localpg

import (
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"
)

// ensureDatabase makes the service's role and database if they are missing, and
// sets the role's password to the one of the password file.
func (c *Cluster) ensureDatabase(ctx context.Context) error {
	conn, err := pgx.Connect(ctx, c.SuperuserURL(superuser))
	if err != nil {
		return fmt.Errorf("private Postgres: logging in: %w", err)
	}
	defer conn.Close(ctx)
	exists := func(query, name string) (found bool, err error) {
		err = conn.QueryRow(ctx, query, name).Scan(&found)
		return found, err
	}
	role, errRole := exists("SELECT EXISTS (SELECT FROM pg_roles WHERE rolname = $1)", serviceRole)
	db, errDB := exists("SELECT EXISTS (SELECT FROM pg_database WHERE datname = $1)", database)
	if err := errors.Join(errRole, errDB); err != nil {
		return fmt.Errorf("private Postgres: looking for role and database %s: %w", database, err)
	}
	todo, err := missingRoles(exists)
	if err != nil {
		return err
	}
	if !role {
		todo = append(todo, "CREATE ROLE "+serviceRole)
	}
	for _, r := range workRoles {
		todo = append(todo, fmt.Sprintf("GRANT %s TO %s", r.name, serviceRole))
	}
	todo = append(todo, fmt.Sprintf("ALTER ROLE %s LOGIN PASSWORD '%s'", serviceRole, c.secrets.service))
	if !db {
		todo = append(todo, fmt.Sprintf("CREATE DATABASE %s OWNER %s", database, serviceRole))
	}
	for _, statement := range todo {
		if _, err := conn.Exec(ctx, statement); err != nil {
			return fmt.Errorf("private Postgres: making role and database %s: %w", database, err)
		}
	}
	return nil
}

// workRoles are what the service's connections act as. They own nothing and
// cannot log in. Ingest is free of row-level security, since Postgres refuses
// COPY under it; its rights are to add what arrives, and no more.
var workRoles = []struct{ name, attributes string }{
	{"underkeep_api", "NOLOGIN"},
	{"underkeep_ingest", "NOLOGIN BYPASSRLS"},
	{"underkeep_jobs", "NOLOGIN"},
}

func missingRoles(exists func(query, name string) (bool, error)) (todo []string, err error) {
	for _, r := range workRoles {
		found, err := exists("SELECT EXISTS (SELECT FROM pg_roles WHERE rolname = $1)", r.name)
		if err != nil {
			return nil, fmt.Errorf("private Postgres: looking for role %s: %w", r.name, err)
		}
		if !found {
			todo = append(todo, "CREATE ROLE "+r.name+" "+r.attributes)
		}
	}
	return todo, nil
}
