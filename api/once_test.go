package api

import (
	"context"
	"encoding/json"
	"net/http"
	"strings"
	"testing"

	"underkeep/api/view"
	"underkeep/api/viewtest"
	"underkeep/store"
)

// The behaviour is that of draft-ietf-httpapi-idempotency-key-header, section 2.7:
// 422 for another request under the same key, 409 while the first is at work.

func addPerson(token, key, email string) request {
	return request{method: "POST", path: "/v1/people", token: token,
		body:   `{"name":"Sam Reed","role":"technician","properties":["heron-07"],"email":"` + email + `"}`,
		header: map[string]string{"Idempotency-Key": key}}
}

func TestARepeatedWriteIsDoneOnce(t *testing.T) {
	t.Parallel()
	g := newRig(t)
	before := len(g.fleet.Persons)
	first := g.status(addPerson(viewtest.ManagerToken, "k1", "sam@example.org"), http.StatusCreated)
	again := g.status(addPerson(viewtest.ManagerToken, "k1", "sam@example.org"), http.StatusCreated)
	if a, b := readAll(first), readAll(again); a != b || a == "" {
		t.Errorf("the repetition is answered %s, the first %s", b, a)
	}
	if again.Header.Get("Location") != first.Header.Get("Location") || again.Header.Get("Idempotent-Replayed") != "true" || first.Header.Get("Idempotent-Replayed") != "" {
		t.Errorf("headers of the repetition: %v", again.Header)
	}
	if n := len(g.fleet.Persons) - before; n != 1 {
		t.Errorf("%d people were added, want 1", n)
	}
	g.status(addPerson(viewtest.ManagerToken, "k1", "other@example.org"), http.StatusUnprocessableEntity)
	g.status(addPerson(viewtest.ManagerToken, "k2", "other@example.org"), http.StatusCreated)
	for _, bad := range []string{"ä", "tab\there", strings.Repeat("k", 201)} {
		g.status(addPerson(viewtest.ManagerToken, bad, "third@example.org"), http.StatusBadRequest)
	}
}

func TestRefusalsAreKeptAndFailuresAreNot(t *testing.T) {
	t.Parallel()
	g := newRig(t)
	refused := addPerson(viewtest.ManagerToken, "k1", "dana@example.org") // taken already
	g.status(refused, http.StatusConflict)
	if res := g.status(refused, http.StatusConflict); res.Header.Get("Idempotent-Replayed") != "true" {
		t.Error("the refusal is not the stored one")
	}
	source := &failingOnce{Source: g.fleet, fail: true}
	g = newRig(t, func(o *Options) { o.Source = source })
	g.status(addPerson(viewtest.ManagerToken, "k2", "sam@example.org"), http.StatusInternalServerError)
	source.fail = false
	g.status(addPerson(viewtest.ManagerToken, "k2", "sam@example.org"), http.StatusCreated)
}

type failingOnce struct {
	view.Source
	fail bool
}

func (f *failingOnce) AddPerson(ctx context.Context, p view.Person, password, by string) (view.Person, error) {
	if f.fail {
		return view.Person{}, viewtest.ErrDown
	}
	return f.Source.AddPerson(ctx, p, password, by)
}

// holding lets a test look while a write is at work.
type holding struct {
	view.Source
	entered, release chan struct{}
}

func (h holding) AddPerson(ctx context.Context, p view.Person, password, by string) (view.Person, error) {
	close(h.entered)
	<-h.release
	return h.Source.AddPerson(ctx, p, password, by)
}

func TestWhatIsAtWorkIs409(t *testing.T) {
	t.Parallel()
	h := holding{entered: make(chan struct{}), release: make(chan struct{})}
	g := newRealRig(t)
	manager := g.token(store.RoleManager)
	g.register("heron-07", manager)
	h.Source = g.server.Source
	g.rig = newRig(t, func(o *Options) { o.Source, o.Now = h, g.server.Now })
	done := make(chan int)
	go func() {
		done <- g.outside(addPerson(manager, "k1", "sam@example.org")).StatusCode
	}()
	<-h.entered
	busy := g.status(addPerson(manager, "k1", "sam@example.org"), http.StatusConflict)
	if busy.Header.Get("Retry-After") == "" {
		t.Error("409 without Retry-After")
	}
	g.status(addPerson(manager, "k1", "other@example.org"), http.StatusUnprocessableEntity)
	close(h.release)
	if status := <-done; status != http.StatusCreated {
		t.Fatalf("the first: %d", status)
	}
	if res := g.status(addPerson(manager, "k1", "sam@example.org"), http.StatusCreated); res.Header.Get("Idempotent-Replayed") != "true" {
		t.Error("after the first has ended its answer is not repeated")
	}
}

func TestKeysAreThePrincipalsOwn(t *testing.T) {
	t.Parallel()
	g := newRealRig(t)
	one, other := g.token(store.RoleManager), g.token(store.RoleManager)
	g.register("heron-07", one)
	g.status(addPerson(one, "k1", "sam@example.org"), http.StatusCreated)
	var p struct{ Email string }
	res := g.status(addPerson(other, "k1", "kim@example.org"), http.StatusCreated)
	if err := json.NewDecoder(res.Body).Decode(&p); err != nil || p.Email != "kim@example.org" {
		t.Errorf("another principal's key: %+v %v", p, err)
	}
	// The first one's answer is kept in the database, and says what it said.
	res = g.status(addPerson(one, "k1", "sam@example.org"), http.StatusCreated)
	if err := json.NewDecoder(res.Body).Decode(&p); err != nil || p.Email != "sam@example.org" || res.Header.Get("Idempotent-Replayed") != "true" {
		t.Errorf("the repetition: %+v %v", p, err)
	}
}

// TestASecretIsKeptNowhere: a repeated request for a password makes no other,
// and shows none.
func TestASecretIsKeptNowhere(t *testing.T) {
	t.Parallel()
	g := newRig(t)
	ask := request{method: "POST", path: "/v1/tokens", token: viewtest.ManagerToken, body: `{"name":"a screen","role":"manager","actions":["read"]}`,
		header: map[string]string{"Idempotency-Key": "k1"}}
	if body := readAll(g.status(ask, http.StatusCreated)); !strings.Contains(body, "uk_secret") {
		t.Fatal(body)
	}
	if body := readAll(g.status(ask, http.StatusConflict)); strings.Contains(body, "uk_secret") {
		t.Error("the secret was kept:", body)
	}
}
