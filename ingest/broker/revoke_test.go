package broker

import (
	"context"
	"log/slog"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"underkeep/store"
	"underkeep/store/localpg/pgtest"
)

func migrateStore(ctx context.Context, url string) error {
	st, err := store.Open(ctx, url, store.Options{Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		return err
	}
	defer st.Close()
	return st.Migrate(ctx)
}

const revokedCottage = `property: heron-07
name: 7 Heron Lane
timezone: America/New_York
installed: 2026-03-02
points:
  - {id: north-bay, measures: [rh, air-temp], every: 5m}
`

// startWithStore is the broker with the passwords of a real database, as the
// service wires it, less the wait for changes: the tests call Recheck.
func startWithStore(t *testing.T) (*fixture, *store.Store) {
	t.Helper()
	st, err := store.Open(t.Context(), pgtest.New(t, migrateStore), store.Options{Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(st.Close)
	if _, err := st.RegisterFile(t.Context(), []byte(revokedCottage), "heron-07.yaml", "test"); err != nil {
		t.Fatal(err)
	}
	f := start(t, func(c *Config) {
		c.CheckGateway = func(username, password string) (string, string, bool) {
			return st.Registry().CheckGateway(username, password)
		}
		c.Stands = func(username string, password [32]byte) bool {
			return st.Registry().GatewayStands(username, password, time.Now())
		}
	})
	return f, st
}

// as connects with credentials; lost is closed when the connection ends.
func as(t *testing.T, f *fixture, c store.Credentials, id string) (client paho.Client, lost chan struct{}) {
	t.Helper()
	lost = make(chan struct{})
	o := options(f, c.Username).SetPassword(c.Password).SetClientID(id).SetAutoReconnect(false)
	o.SetConnectionLostHandler(func(paho.Client, error) { close(lost) })
	return connect(t, o), lost
}

func ended(t *testing.T, lost chan struct{}, what string) {
	t.Helper()
	select {
	case <-lost:
	case <-time.After(20 * time.Second):
		t.Errorf("%s goes on", what)
	}
}

func goesOn(t *testing.T, c paho.Client, payload string) {
	t.Helper()
	if err := wait(c.Publish(topic, 1, false, payload)); err != nil {
		t.Errorf("publish %s: %v", payload, err)
	}
}

func refusedNow(t *testing.T, f *fixture, c store.Credentials) {
	t.Helper()
	o := options(f, c.Username).SetPassword(c.Password).SetClientID("again").SetAutoReconnect(false)
	if err := wait(paho.NewClient(o).Connect()); err == nil {
		t.Errorf("%s is let in", c.Username)
	}
}

func TestARevokedGatewaysConnectionEnds(t *testing.T) {
	t.Parallel()
	f, st := startWithStore(t)
	first, err := st.AddGateway(t.Context(), "heron-07", "gw1", "test")
	if err != nil {
		t.Fatal(err)
	}
	other, err := st.AddGateway(t.Context(), "heron-07", "gw2", "test")
	if err != nil {
		t.Fatal(err)
	}
	before, beforeLost := as(t, f, first, "before")
	stays, _ := as(t, f, other, "stays")
	second, err := st.RotateGateway(t.Context(), "heron-07", "gw1", time.Hour, "test")
	if err != nil {
		t.Fatal(err)
	}
	f.Recheck()
	after, afterLost := as(t, f, second, "after")
	goesOn(t, before, "old password")
	goesOn(t, after, "new password") // under the same topic, with another user name
	for _, want := range []string{topic + " old password", topic + " new password"} {
		if !f.in.has(want) {
			t.Errorf("%q was not stored: %q", want, f.in.got())
		}
	}
	if err := st.RevokeGateway(t.Context(), "heron-07", "gw1", "test"); err != nil {
		t.Fatal(err)
	}
	f.Recheck()
	ended(t, beforeLost, "the connection with the old password")
	ended(t, afterLost, "the connection with the new password")
	refusedNow(t, f, first)
	refusedNow(t, f, second)
	if err := wait(stays.Publish("underkeep/1/heron-07/gw2/readings", 1, false, "x")); err != nil {
		t.Errorf("another gateway of the house: %v", err)
	}
	if n := f.refused(t, refusedRevoked); n != 2 {
		t.Errorf("%d connections ended, want 2", n)
	}
}

func TestAnOldPasswordEndsWithItsOverlap(t *testing.T) {
	t.Parallel()
	f, st := startWithStore(t)
	first, err := st.AddGateway(t.Context(), "heron-07", "gw1", "test")
	if err != nil {
		t.Fatal(err)
	}
	_, lost := as(t, f, first, "before")
	second, err := st.RotateGateway(t.Context(), "heron-07", "gw1", 0, "test")
	if err != nil {
		t.Fatal(err)
	}
	f.Recheck()
	ended(t, lost, "the connection with a password that has run out")
	refusedNow(t, f, first)
	after, _ := as(t, f, second, "after")
	goesOn(t, after, "new password")
}
