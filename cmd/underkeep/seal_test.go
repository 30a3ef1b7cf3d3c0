package main

import (
	"bytes"
	"context"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"underkeep/api"
	"underkeep/store"
	"underkeep/store/evidence"
	"underkeep/store/localpg/pgtest"
	"underkeep/store/site"
)

const sealedCottage = `property: heron-07
name: 7 Heron Lane
timezone: America/New_York
installed: 2026-03-02
points:
  - {id: north-bay, measures: [rh, air-temp], every: 5m}
`

// logRig is a service's database, data folder and API.
type logRig struct {
	t         *testing.T
	url, data string
	store     *store.Store
	web       string
}

func newLogRig(t *testing.T) *logRig {
	t.Helper()
	g := &logRig{t: t, data: t.TempDir()}
	g.url = pgtest.New(t, func(ctx context.Context, url string) error {
		st, err := store.Open(ctx, url, store.Options{})
		if err != nil {
			return err
		}
		defer st.Close()
		return st.Migrate(ctx)
	})
	var err error
	if g.store, err = store.Open(t.Context(), g.url, store.Options{SealDelay: time.Hour}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(g.store.Close)
	if _, err := g.store.RegisterFile(t.Context(), []byte(sealedCottage), "heron-07.yaml", "test"); err != nil {
		t.Fatal(err)
	}
	if _, err := g.store.AddGateway(t.Context(), "heron-07", "main", "test"); err != nil {
		t.Fatal(err)
	}
	web := httptest.NewServer(api.New(api.Options{Source: api.FromStore(g.store, nil)}))
	t.Cleanup(web.Close)
	g.web = web.URL
	return g
}

// measure records an RH for each of the days before yesterday.
func (g *logRig) measure(days int, value float64) {
	g.t.Helper()
	at := time.Now().UTC().Truncate(24 * time.Hour).Add(17 * time.Hour)
	for i := range days {
		at := at.AddDate(0, 0, -2-i)
		_, err := g.store.Record(g.t.Context(), []store.Delivery{{Property: "heron-07", Gateway: "main", Received: at.Add(time.Second),
			Readings: []store.Reading{{Point: "north-bay", Quantity: site.RH, At: at, Value: value}}}})
		if err != nil {
			g.t.Fatal(err)
		}
	}
}

// run runs a command with the rig's database and data folder, where it has one.
func (g *logRig) run(code int, args ...string) string {
	g.t.Helper()
	if args[0] == "seal" {
		args = append(args, "--database-url", g.url, "--data", g.data, "--seal-delay", "1h")
	}
	var out bytes.Buffer
	if got := run(g.t.Context(), args, &out, &out); got != code {
		g.t.Fatalf("%v exits %d, want %d:\n%s", args, got, code, out.String())
	}
	return out.String()
}

func (g *logRig) get(path string) string {
	g.t.Helper()
	res, err := http.Get(g.web + path)
	if err != nil {
		g.t.Fatal(err)
	}
	defer res.Body.Close()
	var body bytes.Buffer
	if _, err := body.ReadFrom(res.Body); err != nil || res.StatusCode != 200 {
		g.t.Fatal(path, res.Status, err)
	}
	return body.String()
}

func (g *logRig) file(name, content string) string {
	g.t.Helper()
	name = filepath.Join(g.t.TempDir(), name)
	if err := os.WriteFile(name, []byte(content), 0o600); err != nil {
		g.t.Fatal(err)
	}
	return name
}

func want(t *testing.T, out string, parts ...string) {
	t.Helper()
	for _, p := range parts {
		if !strings.Contains(out, p) {
			t.Errorf("want %q in\n%s", p, out)
		}
	}
}

// TestSealVerifyWitness goes the whole way: seal, fetch the key and a bundle,
// verify it offline, keep a checkpoint, grow, look again; then history is
// rewritten with the real key.
func TestSealVerifyWitness(t *testing.T) {
	t.Parallel()
	g := newLogRig(t)
	g.measure(3, 55)
	want(t, g.run(exitOK, "seal"), "sealed ", "readings")
	want(t, g.run(exitOK, "seal", "--verify"), "verifies: ")
	key := g.file("key.txt", g.get("/v1/evidence/key"))

	keep := filepath.Join(t.TempDir(), "checkpoint")
	want(t, g.run(exitOK, "witness", "--log", g.web, "--key", key, "--keep", keep), "kept the first checkpoint")
	want(t, g.run(exitOK, "witness", "--log", g.web, "--key", key, "--keep", keep), "as before")
	bundle := g.bundle()
	want(t, g.run(exitOK, "verify", bundle, "--key", key), "heron-07", "readings")
	want(t, g.run(exitOK, "verify", "--key", key, bundle), "heron-07")
	g.run(exitUsage, "verify", bundle)
	g.run(exitUsage, "verify", bundle, bundle, "--key", key)
	data, err := os.ReadFile(bundle)
	if err != nil {
		t.Fatal(err)
	}
	data[bytes.Index(data, []byte("days/"))+60] ^= 4
	want(t, g.run(exitNo, "verify", g.file("spoilt.zip", string(data)), "--key", key), "does not verify: README.txt: ")

	want(t, g.run(exitOK, "seal", "--rotate-key", "--overlap", "24h"), "sealed 0 days")
	want(t, g.run(exitOK, "witness", "--log", g.web, "--key", key, "--keep", keep), "grew from")
	g.rewriteHistory()
	out := g.run(exitNo, "witness", "--log", g.web, "--key", key, "--keep", keep)
	want(t, out, "was rewritten")
	if _, err := os.Stat(keep + ".conflict"); err != nil {
		t.Error("the other signed checkpoint is not kept:", err)
	}
}

// TestClaimFromServiceToVerify is the way of a claim: the warranty desk asks the
// service for the verdict and the bundle, and whoever has only the bundle and a
// key comes to the same verdict. A verdict that was touched up is caught.
func TestClaimFromServiceToVerify(t *testing.T) {
	t.Parallel()
	g := newLogRig(t)
	g.measure(4, 55)
	want(t, g.run(exitOK, "seal"), "sealed ")
	key := g.file("key.txt", g.get("/v1/evidence/key"))
	token, err := g.store.CreateToken(t.Context(), store.NewToken{Name: "desk", Role: store.RoleWarranty, By: "test"})
	if err != nil {
		t.Fatal(err)
	}
	today := site.DateOf(time.Now().UTC())
	period := "?from=" + today.AddDays(-5).String() + "&to=" + today.AddDays(-2).String()
	var verdict struct {
		Verdict      string   `json:"verdict"`
		UnsealedDays []string `json:"unsealed_days"`
	}
	if err := json.Unmarshal([]byte(g.ask(token, "/v1/properties/heron-07/conditions"+period)), &verdict); err != nil {
		t.Fatal(err)
	}
	if verdict.Verdict != "not-proven" || len(verdict.UnsealedDays) != 0 {
		t.Errorf("three sealed days with a reading a day: %+v", verdict)
	}
	bundle := g.ask(token, "/v1/properties/heron-07/evidence"+period)
	want(t, g.run(exitOK, "verify", g.file("claim.zip", bundle), "--key", key), "heron-07", "verdict: ", "not-proven")
	touched := strings.Replace(bundle, "not-proven", "not-prove!", 1)
	if touched == bundle {
		t.Fatal("the bundle has no verdict in it")
	}
	want(t, g.run(exitNo, "verify", g.file("touched.zip", touched), "--key", key), "does not verify")
}

// ask the API as the holder of a token.
func (g *logRig) ask(token, path string) string {
	g.t.Helper()
	r, err := http.NewRequestWithContext(g.t.Context(), http.MethodGet, g.web+path, nil)
	if err != nil {
		g.t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+token)
	res, err := http.DefaultClient.Do(r)
	if err != nil {
		g.t.Fatal(err)
	}
	defer res.Body.Close()
	var body bytes.Buffer
	if _, err := body.ReadFrom(res.Body); err != nil || res.StatusCode != 200 {
		g.t.Fatal(path, res.Status, err, body.String())
	}
	return body.String()
}

func (g *logRig) bundle() string {
	g.t.Helper()
	today := site.DateOf(time.Now().UTC())
	b, err := g.store.EvidenceBundle(g.t.Context(), store.AllProperties, "heron-07", today.AddDays(-5), today)
	if err != nil {
		g.t.Fatal(err)
	}
	data, err := evidence.BuildBundle(b)
	if err != nil {
		g.t.Fatal(err)
	}
	return g.file("bundle.zip", string(data))
}

// rewriteHistory makes the log anew on another database, with the real keys and
// one reading changed, and serves that one.
func (g *logRig) rewriteHistory() {
	g.t.Helper()
	other := newLogRig(g.t)
	other.measure(3, 54)
	keys, err := os.ReadFile(filepath.Join(g.data, "evidence", "log.keys"))
	if err != nil {
		g.t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Join(other.data, "evidence"), 0o700); err != nil {
		g.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(other.data, "evidence", "log.keys"), keys, 0o600); err != nil {
		g.t.Fatal(err)
	}
	other.run(exitOK, "seal")
	g.web = other.web
}

// TestKeysAreNotReplaced: a log whose keys are gone gets no others in silence,
// and the service does not start on it.
func TestKeysAreNotReplaced(t *testing.T) {
	t.Parallel()
	g := newLogRig(t)
	g.measure(1, 55)
	g.run(exitOK, "seal")
	if err := os.RemoveAll(filepath.Join(g.data, "evidence")); err != nil {
		t.Fatal(err)
	}
	want(t, g.run(exitNo, "seal"), "its keys are not in")
	var out bytes.Buffer
	args := []string{"serve", "--database-url", g.url, "--data", g.data, "--http", "127.0.0.1:0", "--mqtt-listen", "127.0.0.1:0"}
	if code := run(t.Context(), args, &out, &out); code != exitNo || !strings.Contains(out.String(), "its keys are not in") {
		t.Errorf("the service exits %d:\n%s", code, out.String())
	}
}
