package store

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/alerting"
	"underkeep/store/localpg/pgtest"
	"underkeep/store/site"
)

// tablesOfProperties lists every table and partition with a property_id.
func tablesOfProperties(tb testing.TB, s *Store) []string {
	tb.Helper()
	return strings.Fields(dump(tb, s, `SELECT c.oid::regclass::text FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace
		JOIN pg_attribute a ON a.attrelid = c.oid AND a.attname = 'property_id'
		WHERE n.nspname = 'public' AND c.relkind IN ('r', 'p') ORDER BY 1`))
}

func TestEveryTableOfAPropertyIsProtected(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	if err := s.ensureMonth(t.Context(), monthOf(testNow.AddDate(-1, 0, 0))); err != nil {
		t.Fatal(err)
	}
	if n := len(tablesOfProperties(t, s)); n < 20 {
		t.Fatalf("only %d tables found", n)
	}
	open := dump(t, s, `SELECT c.relname FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid AND a.attname = 'property_id'
		WHERE c.relnamespace = 'public'::regnamespace AND c.relkind IN ('r', 'p') AND NOT (c.relrowsecurity AND c.relforcerowsecurity
			AND EXISTS (SELECT FROM pg_policy WHERE polrelid = c.oid AND polcmd = '*'))`)
	if open != "" {
		t.Errorf("without forced row-level security:\n%s", open)
	}
	// Whoever looks at rows of others by a view or a function would go around it.
	if around := dump(t, s, `SELECT relname FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind IN ('v', 'm')
		UNION ALL SELECT proname FROM pg_proc WHERE pronamespace = 'public'::regnamespace AND prosecdef`); around != "" {
		t.Errorf("views and functions with rights of their own:\n%s", around)
	}
}

// A table that a later migration adds is protected by the next start.
func TestANewTableIsProtectedWithoutALineForIt(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	if _, err := s.owner.Exec(t.Context(), `CREATE TABLE later (property_id int4 PRIMARY KEY); INSERT INTO later VALUES (1), (2)`); err != nil {
		t.Fatal(err)
	}
	if err := s.Migrate(t.Context()); err != nil {
		t.Fatal(err)
	}
	var n int
	nobody := WithScope(t.Context(), Scope{})
	if err := s.api.QueryRow(nobody, `SELECT count(*) FROM later`).Scan(&n); err != nil || n != 0 {
		t.Errorf("nobody sees %d rows, %v", n, err)
	}
}

func TestConnectionsActAsRolesThatOwnNothing(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	for role, q := range map[string]querier{roleAPI: s.api, roleIngest: s.ingest, roleJobs: s.evaluation} {
		var is string
		var owned int
		err := q.QueryRow(t.Context(), `SELECT current_user, (SELECT count(*) FROM pg_class WHERE relowner = current_user::regrole)`).Scan(&is, &owned)
		if err != nil || is != role || owned != 0 {
			t.Errorf("%s: is %s and owns %d, %v", role, is, owned, err)
		}
	}
	if separated, err := s.Separated(t.Context()); err != nil || !separated {
		t.Errorf("separated: %v, %v", separated, err)
	}
	refused := map[string]beginner{
		"DROP TABLE readings": s.api, "DELETE FROM readings": s.api, "UPDATE audit_entry SET actor = 'x'": s.api,
		"ALTER TABLE property DISABLE ROW LEVEL SECURITY": s.api, "SELECT * FROM readings_y2024m05": s.api,
		"SELECT * FROM person": s.ingest, "SELECT * FROM token": s.ingest, "DELETE FROM alarm": s.ingest,
		"SELECT * FROM session": s.evaluation, "SELECT * FROM sign_in_link": s.evaluation, "UPDATE person SET role = 'manager'": s.evaluation,
	}
	for statement, p := range refused {
		err := withTx(t.Context(), p, pgx.TxOptions{}, func(tx pgx.Tx) error {
			_, err := tx.Exec(t.Context(), statement)
			return err
		})
		if !isCode(err, "42501") && !isCode(err, codeUndefinedTable) {
			t.Errorf("%s: %v", statement, err)
		}
	}
}

// fillTables stores something of two properties in every table that the
// service fills by itself.
func fillTables(t *testing.T, s *Store) {
	t.Helper()
	withCottages(t, s, "heron-07", "tern-12")
	for _, id := range []string{"heron-07", "tern-12"} {
		record(t, s, message(id, "north-bay", site.RH, testNow.Add(-time.Hour), 51),
			Delivery{Property: id, Gateway: "main", Received: testNow, Presence: PresenceOnline,
				Refused: []Refusal{{Topic: "t", Reason: "wrong-unit", Detail: "d", Payload: []byte(id)}}})
		given(t, s, id, 1, alerting.Alarm{})
		addPerson(t, s, NewPerson{Name: id, Role: RoleOwner, Properties: []string{id}})
		if _, err := s.CreateToken(t.Context(), NewToken{Name: id, Role: RoleOwner, Properties: []string{id}, By: "test"}); err != nil {
			t.Fatal(err)
		}
	}
	evaluateAll(t, s, testNow)
	for _, id := range []string{"heron-07", "tern-12"} {
		record(t, s, message(id, "north-bay", site.RH, testNow.Add(-30*time.Minute), 51))
	}
}

// A query without any WHERE shows the scope's rows, of every table there is.
func checkBounds(t *testing.T, s *Store) {
	t.Helper()
	num, _ := s.numberOf("heron-07")
	own, nobody := WithScope(t.Context(), Scope{Properties: []string{"heron-07"}}), WithScope(t.Context(), Scope{})
	filled := 0
	for _, table := range tablesOfProperties(t, s) {
		if strings.Contains(table, "_y20") {
			continue // partitions are not granted
		}
		sees := func(ctx context.Context, what string) (n int) {
			t.Helper()
			if err := s.api.QueryRow(ctx, fmt.Sprintf(`SELECT count(*) FILTER (WHERE %s) FROM %s`, what, table)).Scan(&n); err != nil {
				t.Errorf("%s: %v", table, err)
			}
			return n
		}
		both := sees(t.Context(), fmt.Sprintf("property_id <> %d", num)) > 0 && sees(t.Context(), fmt.Sprintf("property_id = %d", num)) > 0
		if both {
			filled++
		}
		if foreign := sees(own, fmt.Sprintf("property_id <> %d", num)); foreign > 0 {
			t.Errorf("%s: an owner sees %d rows of others", table, foreign)
		}
		if both && sees(own, "true") == 0 {
			t.Errorf("%s: an owner does not see what is theirs", table)
		}
		if n := sees(nobody, "true"); n > 0 {
			t.Errorf("%s: nobody sees %d rows", table, n)
		}
	}
	if filled < 12 {
		t.Errorf("only %d tables had something to hide", filled)
	}
	tern, _ := s.numberOf("tern-12")
	if _, err := s.api.Exec(own, `INSERT INTO due (property_id, received_at) VALUES ($1, now())`, tern); !isCode(err, "42501") {
		t.Errorf("an owner writes for another property: %v", err)
	}
	if tag, err := s.api.Exec(own, `UPDATE alarm SET acknowledged_by = 'x', acknowledged_at = now() WHERE property_id = $1`, tern); err != nil || tag.RowsAffected() != 0 {
		t.Errorf("an owner changes an alarm of another property: %v, %v", tag, err)
	}
}

func TestTheContextBoundsEveryQuery(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	fillTables(t, s)
	checkBounds(t, s)
}

// The scope of one transaction must not outlive it, whichever way it ends.
func TestAScopeEndsWithItsTransaction(t *testing.T) {
	t.Parallel()
	s, err := Open(t.Context(), pgtest.New(t, migrateTemplate), Options{Log: quiet(), APIConns: 1})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	withCottages(t, s, "heron-07", "tern-12")
	own := WithScope(t.Context(), Scope{Properties: []string{"heron-07"}})
	n := func(ctx context.Context) (n int) {
		if err := s.api.QueryRow(ctx, `SELECT count(*) FROM property`).Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}
	for _, first := range []func(){
		func() { n(t.Context()) },
		func() { _, _ = s.api.Exec(t.Context(), `SELECT 1/0`) },
		func() { _, _ = s.api.Query(t.Context(), `SELECT nonsense`) },
		func() {
			_ = withTx(t.Context(), s.api, pgx.TxOptions{}, func(pgx.Tx) error { return context.Canceled })
		},
		func() {
			rows, err := s.api.Query(t.Context(), `SELECT generate_series(1, 1000)`)
			if err != nil {
				t.Fatal(err)
			}
			rows.Next()
			rows.Close()
		},
	} {
		first()
		if got := n(own); got != 1 {
			t.Errorf("an owner sees %d properties", got)
		}
		if got := n(WithScope(t.Context(), Scope{})); got != 0 {
			t.Errorf("nobody sees %d properties", got)
		}
		if got := n(t.Context()); got != 2 {
			t.Errorf("the service sees %d properties", got)
		}
	}
	var raw string
	if err := s.api.pool.QueryRow(t.Context(), `SELECT coalesce(current_setting('underkeep.properties', true), '')`).Scan(&raw); err != nil || raw != "" {
		t.Errorf("the connection keeps %q, %v", raw, err)
	}
}

// A managed Postgres may let nobody make roles: then the policies alone hold.
func TestWithoutRolesThePoliciesHold(t *testing.T) {
	t.Parallel()
	c := pgtest.Durable(t)
	admin, err := pgx.Connect(t.Context(), c.SuperuserURL("postgres"))
	if err != nil {
		t.Fatal(err)
	}
	defer admin.Close(t.Context())
	if _, err := admin.Exec(t.Context(), `DROP ROLE underkeep_api; DROP ROLE underkeep_ingest; DROP ROLE underkeep_jobs`); err != nil {
		t.Fatal(err)
	}
	s := openURL(t, c.URL())
	if err := s.Migrate(t.Context()); err != nil {
		t.Fatal(err)
	}
	if separated, err := s.Separated(t.Context()); err != nil || separated {
		t.Errorf("separated: %v, %v", separated, err)
	}
	fillTables(t, s)
	checkBounds(t, s)
	// Postgres refuses COPY under row-level security; readings are stored still.
	if got := record(t, s, series(500)); got.Stored != 500 {
		t.Errorf("%+v", got)
	}
	// Once somebody has made the roles, the next start uses them.
	for _, sql := range []string{`CREATE ROLE underkeep_api`, `CREATE ROLE underkeep_ingest`, `CREATE ROLE underkeep_jobs`, `GRANT underkeep_api, underkeep_ingest, underkeep_jobs TO underkeep`} {
		if _, err := admin.Exec(t.Context(), sql); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Migrate(t.Context()); err != nil {
		t.Fatal(err)
	}
	if separated, err := s.Separated(t.Context()); err != nil || !separated {
		t.Errorf("separated: %v, %v", separated, err)
	}
	if got := record(t, s, Delivery{Property: "tern-12", Gateway: "main", Received: testNow, Readings: series(500).Readings}); got.Stored != 500 {
		t.Errorf("%+v", got)
	}
}
