package localpg

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
)

// roleVariable makes this test binary play a service instead of running tests.
const roleVariable = "UNDERKEEP_TEST_SERVICE_IN"

func TestMain(m *testing.M) {
	if dir := os.Getenv(roleVariable); dir != "" {
		playService(dir)
		return
	}
	code := m.Run()
	if made.dir != "" {
		os.RemoveAll(made.dir)
	}
	os.Exit(code)
}

// playService writes rows, one transaction each, and prints the number of each one
// that was committed, until it is killed.
func playService(dir string) {
	ctx := context.Background()
	c, err := Start(ctx, Options{DataDir: dir})
	if err != nil {
		fmt.Println("error:", err)
		os.Exit(1)
	}
	conn, err := pgx.Connect(ctx, c.URL())
	if err != nil {
		fmt.Println("error:", err)
		os.Exit(1)
	}
	conn.Exec(ctx, "CREATE TABLE IF NOT EXISTS told (n bigint PRIMARY KEY)")
	for n := time.Now().UnixNano(); ; n++ {
		if _, err := conn.Exec(ctx, "INSERT INTO told VALUES ($1)", n); err != nil {
			fmt.Println("error:", err)
			os.Exit(1)
		}
		fmt.Println(n)
	}
}

// made is a stopped durable cluster that tests copy: initdb costs most of a start.
var made struct {
	once sync.Once
	dir  string
	err  error
}

// clusterFolder gives a data folder with a cluster that was stopped in order.
func clusterFolder(t *testing.T) string {
	t.Helper()
	made.once.Do(func() {
		if made.dir, made.err = os.MkdirTemp("", "underkeep-localpg-"); made.err != nil {
			return
		}
		var c *Cluster
		if c, made.err = Start(context.Background(), Options{DataDir: filepath.Join(made.dir, "data")}); made.err == nil {
			made.err = c.Stop()
		}
	})
	if made.err != nil {
		t.Fatal(made.err)
	}
	dir := filepath.Join(openFolder(t), "data")
	if out, err := exec.Command("cp", "-a", filepath.Join(made.dir, "data"), dir).CombinedOutput(); err != nil {
		t.Fatalf("copying a cluster: %v: %s", err, out)
	}
	return dir
}

// openFolder is a folder of this test that other users may pass through.
func openFolder(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "underkeep-localpg-")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(dir, 0o711); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

// begin starts a cluster on a folder and stops it when the test ends.
func begin(t *testing.T, dir string) *Cluster {
	t.Helper()
	c, err := Start(t.Context(), Options{DataDir: dir, Logger: testLogger(t)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := c.Stop(); err != nil {
			t.Error(err)
		}
	})
	return c
}

// testLogger shows warnings of a failing test.
func testLogger(t *testing.T) *slog.Logger {
	return slog.New(slog.NewTextHandler(t.Output(), &slog.HandlerOptions{Level: slog.LevelInfo}))
}

func execute(t *testing.T, url, statement string, args ...any) {
	t.Helper()
	conn := connect(t, url)
	if _, err := conn.Exec(t.Context(), statement, args...); err != nil {
		t.Fatalf("%s: %v", statement, err)
	}
}

func text(t *testing.T, url, query string) (value string) {
	t.Helper()
	if err := connect(t, url).QueryRow(t.Context(), query).Scan(&value); err != nil {
		t.Fatalf("%s: %v", query, err)
	}
	return value
}

func connect(t *testing.T, url string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close(context.Background()) })
	return conn
}

// until polls for a condition; the limit is far beyond what a loaded machine needs.
func until(t *testing.T, what string, holds func() bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	for !holds() {
		if !pause(ctx, 10*time.Millisecond) {
			t.Fatalf("waited in vain until %s", what)
		}
	}
}

func wantError(t *testing.T, err, kind error, words ...string) {
	t.Helper()
	if !errors.Is(err, kind) {
		t.Fatalf("error is %v, want %v", err, kind)
	}
	for _, w := range words {
		if !strings.Contains(err.Error(), w) {
			t.Errorf("error %q does not name %q", err, w)
		}
	}
}
