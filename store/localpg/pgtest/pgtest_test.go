package pgtest_test

import (
	"context"
	"testing"

	"github.com/jackc/pgx/v5"

	"underkeep/store/localpg/pgtest"
)

func migrate(ctx context.Context, url string) error {
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return err
	}
	defer conn.Close(ctx)
	_, err = conn.Exec(ctx, "CREATE TABLE crate (id int PRIMARY KEY)")
	return err
}

func count(t testing.TB, url, query string) (n int) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(t.Context())
	if err := conn.QueryRow(t.Context(), query).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

func TestEachTestHasItsOwnDatabase(t *testing.T) {
	t.Parallel()
	a, b := pgtest.New(t, migrate), pgtest.New(t, migrate)
	count(t, a, "WITH new AS (INSERT INTO crate VALUES (1) RETURNING 1) SELECT count(*) FROM new")
	if n := count(t, a, "SELECT count(*) FROM crate"); n != 1 {
		t.Errorf("own database has %d rows, want 1", n)
	}
	if n := count(t, b, "SELECT count(*) FROM crate"); n != 0 {
		t.Errorf("the other database has %d rows, want 0", n)
	}
	if n := count(t, pgtest.New(t), "SELECT count(*) FROM pg_tables WHERE tablename = 'crate'"); n != 0 {
		t.Error("a database without migration has the table")
	}
}

func TestRunsAsTheServicesRole(t *testing.T) {
	t.Parallel()
	if n := count(t, pgtest.New(t), "SELECT rolsuper::int FROM pg_roles WHERE rolname = current_user"); n != 0 {
		t.Error("tests run as superuser and would not see missing rights")
	}
}

func BenchmarkNew(b *testing.B) {
	pgtest.New(b, migrate)
	for b.Loop() {
		pgtest.New(b, migrate)
	}
}
