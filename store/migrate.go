package store

import (
	"context"
	"database/sql"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"

	"underkeep/migrations"
)

// Migrate brings the schema up to date and creates the partitions of the
// coming months. It is safe to call from several processes at once and on a
// database that a newer release has already migrated.
func (s *Store) Migrate(ctx context.Context) error {
	c, err := poolConfig(s.url, "migrations", 1, 10*time.Minute)
	if err != nil {
		return err
	}
	c.ConnConfig.RuntimeParams[scopeSetting] = scopeAll
	db := stdlib.OpenDB(*c.ConnConfig)
	defer db.Close()
	if err := migrateUp(ctx, db); err != nil {
		return err
	}
	if err := migrateJobs(ctx, s.url); err != nil {
		return err
	}
	if err := protect(ctx, db); err != nil {
		return err
	}
	for _, p := range s.pools() {
		p.Reset() // new connections take on the roles that there are now
	}
	if err := s.EnsurePartitions(ctx, time.Now()); err != nil {
		return err
	}
	return s.RefreshRegistry(ctx)
}

func migrateUp(ctx context.Context, db *sql.DB) error {
	// One attempt a second for five minutes: another instance may be busy with
	// the same migration.
	locker, err := lock.NewPostgresSessionLocker(lock.WithLockTimeout(1, 300))
	if err != nil {
		return fmt.Errorf("migration lock: %w", err)
	}
	provider, err := goose.NewProvider(goose.DialectPostgres, db, migrations.Files,
		goose.WithSessionLocker(locker), goose.WithDisableGlobalRegistry(true))
	if err != nil {
		return fmt.Errorf("read migrations: %w", err)
	}
	if _, err := provider.Up(ctx); err != nil {
		return fmt.Errorf("migrate the database: %w", err)
	}
	return nil
}
