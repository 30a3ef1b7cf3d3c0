package broker

import (
	"context"
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"time"

	"underkeep/ingest"
	"underkeep/store"
	"underkeep/store/localpg/pgtest"
	"underkeep/store/site"
)

func migrate(ctx context.Context, url string) error {
	s, err := store.Open(ctx, url, store.Options{Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		return err
	}
	defer s.Close()
	return s.Migrate(ctx)
}

// TestIntoPostgres goes the whole way: a general-purpose MQTT client as gateway,
// this broker, the door, a real database. Every kind of bad input lands in
// quarantine under its reason and is acknowledged; what is good beside it is
// stored; other gateways are not affected.
func TestIntoPostgres(t *testing.T) {
	t.Parallel()
	log := slog.New(slog.DiscardHandler)
	s, err := store.Open(t.Context(), pgtest.New(t, migrate), store.Options{Log: log})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	passwords := map[string]string{}
	for _, id := range []string{"heron-07", "egret-01"} {
		file := fmt.Sprintf("property: %s\nname: %s\ntimezone: America/New_York\ninstalled: 2026-03-02\npoints:\n"+
			"  - {id: north-bay, measures: [rh, air-temp], every: 5m}\n  - {id: sump, measures: [pump-run, high-water]}\n", id, id)
		if _, err := s.RegisterFile(t.Context(), []byte(file), id, "test"); err != nil {
			t.Fatal(err)
		}
		c, err := s.AddGateway(t.Context(), id, "gw1", "test")
		if err != nil {
			t.Fatal(err)
		}
		passwords[c.Username] = c.Password
	}
	door, err := ingest.NewDoor(ingest.DoorConfig{Sites: ingest.StoreSites(s.Registry), Recorder: s, Log: log})
	if err != nil {
		t.Fatal(err)
	}
	f := start(t, func(c *Config) {
		c.Deliverer, c.Ready = door, door.Ready
		c.CheckGateway = func(u, p string) (string, string, bool) { return s.Registry().CheckGateway(u, p) }
	})

	now := time.Now().Truncate(time.Second)
	ts := func(d time.Duration) int64 { return now.Add(d).Unix() }
	bad := map[store.Reason]string{
		store.ReasonNotSenML:        `hello`,
		store.ReasonTooLarge:        "[" + strings.Repeat(`{"v":1},`, 1_250_000) + `{"v":1}]`, // 10 MB, a million records
		store.ReasonUnknownPoint:    fmt.Sprintf(`[{"n":"attic/rh","u":"%%RH","v":5,"t":%d}]`, ts(-time.Hour)),
		store.ReasonUnknownQuantity: fmt.Sprintf(`[{"n":"north-bay/radon","u":"Bq/m3","v":5,"t":%d}]`, ts(-time.Hour)),
		store.ReasonWrongUnit:       fmt.Sprintf(`[{"n":"north-bay/air-temp","u":"degF","v":70,"t":%d}]`, ts(-time.Hour)),
		store.ReasonWrongType:       fmt.Sprintf(`[{"n":"sump/high-water","v":1,"t":%d}]`, ts(-time.Hour)),
		store.ReasonImpossible:      fmt.Sprintf(`[{"n":"north-bay/rh","u":"%%RH","v":1e308,"t":%d}]`, ts(-time.Hour)),
		store.ReasonTimeAhead:       fmt.Sprintf(`[{"n":"north-bay/rh","u":"%%RH","v":5,"t":%d}]`, ts(time.Hour)),
		store.ReasonTimeTooEarly:    `[{"n":"north-bay/rh","u":"%RH","v":5,"t":315532800}]`,
		store.ReasonTimeRelative:    `[{"n":"sump/pump-run","u":"s","v":12}]`,
		store.ReasonConflict:        fmt.Sprintf(`[{"n":"north-bay/rh","u":"%%RH","v":59,"t":%d}]`, ts(-2*time.Hour)),
	}
	good := fmt.Sprintf(`[{"bn":"north-bay/","n":"rh","u":"%%RH","v":60,"t":%d}]`, ts(-2*time.Hour))

	for user, password := range passwords {
		c := connect(t, options(f, user).SetPassword(password))
		property, _, _ := store.ParseGatewayUsername(user)
		topic := ingest.ReadingsTopic(property, "gw1")
		for range 2 { // delivered again, nothing changes
			if err := wait(c.Publish(topic, 1, false, good)); err != nil {
				t.Fatal(err)
			}
		}
		for reason, payload := range bad {
			if err := wait(c.Publish(topic, 1, false, payload)); err != nil {
				t.Fatalf("%s: %v", reason, err)
			}
		}
		if err := wait(c.Publish("underkeep/1/"+property+"/gw1/reading", 1, false, "")); err != nil {
			t.Fatal(err)
		}
		mixed := fmt.Sprintf(`[{"bn":"north-bay/","bt":%d,"n":"rh","u":"%%RH","v":61},{"n":"rh","u":"%%RH","v":161,"t":60},{"n":"air-temp","u":"Cel","v":18}]`, ts(-time.Hour))
		if err := wait(c.Publish(topic, 1, false, mixed)); err != nil {
			t.Fatal(err)
		}
		checkStored(t, s, property, now)
		checkQuarantine(t, s, property, bad)
	}
	if err := door.Close(t.Context()); err != nil {
		t.Error(err)
	}
}

func checkStored(t *testing.T, s *store.Store, property string, now time.Time) {
	t.Helper()
	for q, want := range map[site.Quantity]string{site.RH: "60@-2h0m0s 61@-1h0m0s", site.AirTemp: "18@-1h0m0s"} {
		samples, err := s.Readings(t.Context(), store.ReadingQuery{Property: property, Point: "north-bay", Quantity: q, From: now.Add(-24 * time.Hour), To: now.Add(time.Hour)})
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, m := range samples {
			got = append(got, fmt.Sprintf("%v@%v", m.Value, m.At.Sub(now)))
		}
		if strings.Join(got, " ") != want {
			t.Errorf("%s %s: %v, want %s", property, q, got, want)
		}
	}
}

func checkQuarantine(t *testing.T, s *store.Store, property string, bad map[store.Reason]string) {
	t.Helper()
	all, err := s.Quarantine(t.Context(), store.QuarantineQuery{Scope: store.Scope{All: true}, Property: property, Limit: 100})
	if err != nil {
		t.Fatal(err)
	}
	found := map[store.Reason]int{}
	for _, q := range all {
		found[q.Reason]++
		if payload, ok := bad[q.Reason]; ok && q.PayloadBytes != int64(len(payload)) && q.Reason != store.ReasonImpossible {
			t.Errorf("%s: payload of %d bytes, want %d", q.Reason, q.PayloadBytes, len(payload))
		}
		full, err := s.QuarantinedByID(t.Context(), store.Scope{All: true}, q.ID)
		if err != nil {
			t.Fatal(err)
		}
		if int64(len(full.Payload)) != min(full.PayloadBytes, store.MaxQuarantinePayload) {
			t.Errorf("%s: %d bytes kept of %d", q.Reason, len(full.Payload), full.PayloadBytes)
		}
		if payload, ok := bad[q.Reason]; ok && q.Reason != store.ReasonImpossible && !strings.HasPrefix(payload, string(full.Payload)) {
			t.Errorf("%s: another payload was kept: %.60s", q.Reason, full.Payload)
		}
	}
	for reason := range bad {
		want := 1
		if reason == store.ReasonImpossible {
			want = 2 // one alone, one beside good records
		}
		if found[reason] != want {
			t.Errorf("%s %s: %d in quarantine, want %d", property, reason, found[reason], want)
		}
	}
	if found[store.ReasonWrongTopic] != 1 || len(all) != len(bad)+2 {
		t.Errorf("%s: %v", property, found)
	}
}
