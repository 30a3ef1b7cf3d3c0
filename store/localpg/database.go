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
	var todo []string
	if !role {
		todo = append(todo, "CREATE ROLE "+serviceRole)
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
