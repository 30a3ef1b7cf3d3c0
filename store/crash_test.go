package store

import (
	"context"
	"errors"
	"os"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"

	"underkeep/store/localpg/pgtest"
)

// recordUntilStored does what a sender without an acknowledgement does.
func recordUntilStored(t *testing.T, s *Store, d Delivery) {
	for t.Context().Err() == nil {
		if _, err := s.Record(t.Context(), []Delivery{d}); err == nil {
			return
		}
	}
}

// undisturbed is what the deliveries of these properties come to in peace.
func undisturbed(t *testing.T, fleet []string) (readings, followed string) {
	t.Helper()
	s := openTest(t)
	withCottages(t, s, fleet...)
	var end time.Time
	for _, id := range fleet {
		deliveries := twoDays(id)
		record(t, s, deliveries...)
		end = lastReceipt(deliveries)
	}
	evaluateAll(t, s, end)
	return readingsOf(t, s), state(t, s)
}

func readingsOf(t *testing.T, s *Store) string {
	t.Helper()
	return dump(t, s, `SELECT name, series_id, count(*), sum(value), min(at), max(at)
		FROM readings JOIN property USING (property_id) GROUP BY 1, 2 ORDER BY 1, 2`)
}

// Connections are cut at any moment, within COMMIT too, while several senders
// record and workers evaluate. Whoever got no answer sends again. In the end
// everything is as in peace: stored once, evaluated once.
func TestCutConnectionsLoseAndDoubleNothing(t *testing.T) {
	t.Parallel()
	fleet := []string{"heron-07", "gull-02", "tern-11"}
	wantReadings, want := undisturbed(t, fleet)

	s := openTest(t)
	withCottages(t, s, fleet...)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var background, senders sync.WaitGroup
	background.Go(func() {
		for ctx.Err() == nil {
			if _, err := s.EvaluateDue(ctx, lastReceipt(twoDays("heron-07"))); err != nil {
				continue // the next round makes up for it
			}
		}
	})
	cuts := 0
	progress := make(chan struct{}, 1)
	background.Go(func() {
		// One cut for each thing that got through, so that something does.
		for ctx.Err() == nil {
			select {
			case <-ctx.Done():
				return
			case <-progress:
			}
			for cut := 0; cut == 0 && ctx.Err() == nil; cuts += cut {
				var err error
				if cut, err = terminate(ctx, s); err != nil && ctx.Err() == nil {
					t.Error(err)
					return
				}
			}
		}
	})
	for _, id := range fleet {
		senders.Go(func() {
			for _, d := range twoDays(id) {
				recordUntilStored(t, s, d)
				select {
				case progress <- struct{}{}:
				default:
				}
			}
		})
	}
	senders.Wait()
	cancel()
	background.Wait()
	if cuts == 0 {
		t.Fatal("no connection was cut")
	}
	if failed := dump(t, s, `SELECT failure FROM evaluation WHERE failures > 0`); failed != "" {
		t.Errorf("a cut connection counts as failed evaluation:\n%s", failed)
	}
	// A session that was cut may hold its claim for a moment longer.
	eventually(t, "everything evaluated", func() bool {
		evaluateAll(t, s, lastReceipt(twoDays("heron-07")))
		return count(t, s, `SELECT count(*) FROM due`) == 0
	})
	if diff := cmp.Diff(wantReadings, readingsOf(t, s)); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff(want, state(t, s)); diff != "" {
		t.Errorf("after %d cuts: %s", cuts, diff)
	}
}

// terminate cuts one connection to this database, a busy one where there is one: a
// fast machine may be between two statements whenever it is asked.
func terminate(ctx context.Context, s *Store) (cut int, err error) {
	err = s.owner.QueryRow(ctx, `SELECT count(pg_terminate_backend(pid)) FROM (
		SELECT pid FROM pg_stat_activity WHERE datname = current_database()
			AND application_name IN ('underkeep ingest', 'underkeep evaluation') ORDER BY state = 'idle', random() LIMIT 1) a`).Scan(&cut)
	return cut, err
}

// A backend is killed with SIGKILL: Postgres cuts everybody and recovers from
// its log. What Record had said was stored is there.
func TestServerCrashLosesNothingRecorded(t *testing.T) {
	t.Parallel()
	s := openURL(t, pgtest.Durable(t).URL())
	if err := s.Migrate(t.Context()); err != nil {
		t.Fatal(err)
	}
	withCottages(t, s, "heron-07")
	all := series(150).Readings
	for i := range all {
		if i == 50 || i == 100 {
			crash(t, s)
		}
		recordUntilStored(t, s, Delivery{Property: "heron-07", Gateway: "main", Received: testNow, Readings: all[i : i+1]})
	}
	var n int
	eventually(t, "server back", func() bool {
		return s.owner.QueryRow(t.Context(), `SELECT count(*) FROM readings`).Scan(&n) == nil
	})
	if n != len(all) {
		t.Errorf("%d readings after two crashes, want %d", n, len(all))
	}
}

func crash(t *testing.T, s *Store) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), s.url)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.WithoutCancel(t.Context()))
	pid := int(conn.PgConn().PID())
	if err := syscall.Kill(pid, syscall.SIGKILL); errors.Is(err, os.ErrPermission) {
		t.Skip("may not kill a Postgres backend here")
	} else if err != nil {
		t.Fatal(err)
	}
	eventually(t, "backend gone", func() bool { return syscall.Kill(pid, 0) != nil })
}
