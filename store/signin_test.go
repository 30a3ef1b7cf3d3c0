package store

import (
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

const goodPassword = "a quiet crawl space"

func withLee(t *testing.T) (*Store, Person) {
	t.Helper()
	s := openTest(t)
	withCottages(t, s, "heron-07")
	return s, addPerson(t, s, NewPerson{Name: "Lee Marsh", Email: "lee@example.org", Role: RoleTechnician, Properties: []string{"heron-07"}, Password: goodPassword})
}

var here = Origin{Source: "192.0.2.7", Agent: "a browser"}

func TestASessionLastsAsLongAsItIsUsedAndNoLonger(t *testing.T) {
	t.Parallel()
	s, lee := withLee(t)
	secret, err := s.SignIn(t.Context(), " LEE@example.org", goodPassword, here, testNow)
	if err != nil {
		t.Fatal(err)
	}
	now := testNow
	for now.Before(testNow.Add(SessionLife - SessionIdle)) {
		now = now.Add(SessionIdle - time.Minute)
		who, err := s.CheckSession(t.Context(), secret, now)
		if err != nil || who.Person != lee.ID || who.Role != RoleTechnician || fmt.Sprint(who.Scope.Properties) != "[heron-07]" {
			t.Fatalf("after %v: %+v, %v", now.Sub(testNow), who, err)
		}
	}
	if _, err := s.CheckSession(t.Context(), secret, testNow.Add(SessionLife)); !errors.Is(err, ErrNotFound) {
		t.Errorf("at its end: %v", err)
	}
	other, err := s.SignIn(t.Context(), lee.Email, goodPassword, here, testNow)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.CheckSession(t.Context(), other, testNow.Add(SessionIdle)); !errors.Is(err, ErrNotFound) {
		t.Errorf("unused for %v: %v", SessionIdle, err)
	}
	if n := count(t, s, `SELECT count(*) FROM session WHERE secret_sha256::text LIKE '%' || $1 || '%'`, secret); n != 0 {
		t.Error("the table has the secret itself")
	}
}

func TestSessionsEnd(t *testing.T) {
	t.Parallel()
	s, lee := withLee(t)
	signIn := func(old string) string {
		t.Helper()
		secret, err := s.SignIn(t.Context(), lee.Email, goodPassword, Origin{Source: here.Source, Old: old}, testNow)
		if err != nil {
			t.Fatal(err)
		}
		return secret
	}
	ended := func(secret, why string) {
		t.Helper()
		if _, err := s.CheckSession(t.Context(), secret, testNow); !errors.Is(err, ErrNotFound) {
			t.Errorf("%s: %v", why, err)
		}
	}
	first := signIn("")
	second := signIn(first)
	ended(first, "followed by another in the same browser")
	if err := s.EndSession(t.Context(), second, testNow); err != nil {
		t.Fatal(err)
	}
	ended(second, "signed out")
	third, fourth := signIn(""), signIn("")
	list, err := s.Sessions(t.Context(), lee.Identity(), testNow)
	if err != nil || len(list) != 2 {
		t.Fatalf("%+v, %v", list, err)
	}
	other := addPerson(t, s, NewPerson{Name: "Other", Role: RoleManager, All: true})
	if err := s.EndSessionOf(t.Context(), other.Identity(), list[0].ID, testNow); !errors.Is(err, ErrNotFound) {
		t.Errorf("somebody else's session is ended: %v", err)
	}
	if err := s.EndSessionOf(t.Context(), lee.Identity(), list[0].ID, testNow); err != nil {
		t.Fatal(err)
	}
	ended(fourth, "ended from another browser")
	password := "another quiet space"
	if _, err := s.ChangePerson(t.Context(), lee.ID, PersonChange{Password: &password, By: "test"}); err != nil {
		t.Fatal(err)
	}
	ended(third, "the password changed")
	fifth, err := s.SignIn(t.Context(), lee.Email, password, here, testNow)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.DisablePerson(t.Context(), lee.ID, "test"); err != nil {
		t.Fatal(err)
	}
	ended(fifth, "the person is disabled")
	token, err := s.CreateToken(t.Context(), NewToken{Name: "t", Role: RoleManager, By: "test"})
	if err != nil {
		t.Fatal(err)
	}
	sixth, err := s.StartTokenSession(t.Context(), token, here, testNow)
	if err != nil {
		t.Fatal(err)
	}
	tokens, _ := s.Tokens(t.Context())
	if err := s.RevokeToken(t.Context(), tokens[0].ID, "test"); err != nil {
		t.Fatal(err)
	}
	ended(sixth, "its token is revoked")
}

// Whether an address is known, its person disabled or without a password is
// told apart neither by the answer nor by the work done: one hash each.
func TestUnknownAndWrongCostTheSame(t *testing.T) {
	// Alone: it counts hashes of the whole process.
	s, lee := withLee(t)
	addPerson(t, s, NewPerson{Name: "No password", Email: "none@example.org", Role: RoleManager, All: true})
	gone := addPerson(t, s, NewPerson{Name: "Gone", Email: "gone@example.org", Role: RoleManager, All: true, Password: goodPassword})
	if err := s.DisablePerson(t.Context(), gone.ID, "test"); err != nil {
		t.Fatal(err)
	}
	var first string
	for name, try := range map[string][2]string{
		"wrong": {lee.Email, "not the password"}, "unknown": {"nobody@example.org", goodPassword}, "no password": {"none@example.org", goodPassword},
		"disabled": {"gone@example.org", goodPassword}, "no address": {"", goodPassword}, "empty": {lee.Email, ""},
	} {
		before := passwordChecks.Load()
		_, err := s.SignIn(t.Context(), try[0], try[1], Origin{Source: "192.0.2." + name[:2]}, testNow)
		if !errors.Is(err, ErrNotFound) {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if first == "" {
			first = err.Error()
		}
		if err.Error() != first {
			t.Errorf("%s is answered %q, another try %q", name, err, first)
		}
		if n := passwordChecks.Load() - before; n != 1 {
			t.Errorf("%s: %d hashes, want 1", name, n)
		}
	}
}

func TestGuessingIsSlowedWhereItComesFromAlone(t *testing.T) {
	t.Parallel()
	s, lee := withLee(t)
	stranger := Origin{Source: "198.51.100.9"}
	now := testNow
	var wait time.Duration
	tries := 0
	for range 30 {
		_, err := s.SignIn(t.Context(), lee.Email, "a wrong password", stranger, now)
		var soon *TooSoonError
		if errors.As(err, &soon) {
			if soon.Wait < wait {
				t.Errorf("the wait shrinks from %v to %v", wait, soon.Wait)
			}
			wait = soon.Wait
			now = now.Add(wait)
			continue
		}
		if !errors.Is(err, ErrNotFound) {
			t.Fatal(err)
		}
		tries++
	}
	if tries < 5 || wait < 15*time.Minute || wait > 16*time.Minute {
		t.Errorf("%d tries went through, the last wait is %v", tries, wait)
	}
	// Even the right password has to wait there; elsewhere nobody notices.
	var soon *TooSoonError
	if _, err := s.SignIn(t.Context(), lee.Email, goodPassword, stranger, now.Add(-time.Second)); !errors.As(err, &soon) {
		t.Errorf("the right password where it was guessed: %v", err)
	}
	if _, err := s.SignIn(t.Context(), lee.Email, goodPassword, here, now.Add(time.Second)); err != nil {
		t.Errorf("the person is shut out: %v", err)
	}
}

func TestManyTriesAtOnceDoNotSlipThrough(t *testing.T) {
	t.Parallel()
	s, lee := withLee(t)
	var judged atomic.Int32
	var wg sync.WaitGroup
	for range 20 {
		wg.Go(func() {
			if _, err := s.SignIn(t.Context(), lee.Email, "a wrong password", here, testNow); errors.Is(err, ErrNotFound) {
				judged.Add(1)
			}
		})
	}
	wg.Wait()
	if n := judged.Load(); n > 5 {
		t.Errorf("%d passwords were tried at one instant", n)
	}
}

func TestALinkSignsInOnceAndNotForLong(t *testing.T) {
	t.Parallel()
	s, lee := withLee(t)
	link := func() SignInLink {
		t.Helper()
		l, err := s.NewSignInLink(t.Context(), "Lee@example.org", here, testNow)
		if err != nil {
			t.Fatal(err)
		}
		return l
	}
	l := link()
	secret, err := s.UseSignInLink(t.Context(), l.Secret, here, testNow.Add(SignInLinkLife-time.Second))
	if err != nil {
		t.Fatal(err)
	}
	if who, err := s.CheckSession(t.Context(), secret, testNow.Add(SignInLinkLife)); err != nil || who.Person != lee.ID {
		t.Errorf("%+v, %v", who, err)
	}
	if _, err := s.UseSignInLink(t.Context(), l.Secret, here, testNow.Add(time.Minute)); !errors.Is(err, ErrNotFound) {
		t.Errorf("a second time: %v", err)
	}
	if _, err := s.UseSignInLink(t.Context(), link().Secret, here, testNow.Add(SignInLinkLife)); !errors.Is(err, ErrNotFound) {
		t.Errorf("too late: %v", err)
	}
	last := link()
	link()
	if _, err := s.NewSignInLink(t.Context(), lee.Email, here, testNow); !errors.Is(err, ErrNotFound) {
		t.Errorf("a fifth link within the hour: %v", err)
	}
	if err := s.DisablePerson(t.Context(), lee.ID, "test"); err != nil {
		t.Fatal(err)
	}
	if _, err := s.UseSignInLink(t.Context(), last.Secret, here, testNow); !errors.Is(err, ErrNotFound) {
		t.Errorf("of a disabled person: %v", err)
	}
	if _, err := s.NewSignInLink(t.Context(), "nobody@example.org", here, testNow); !errors.Is(err, ErrNotFound) {
		t.Errorf("for nobody: %v", err)
	}
}

func TestAnswersAreKeptByKey(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	begin := func(principal, key, request string, now time.Time) (*StoredAnswer, error) {
		return s.BeginIdempotent(t.Context(), principal, key, [32]byte(hashOf(request)), now)
	}
	if a, err := begin("token 1", "k", "body", testNow); a != nil || err != nil {
		t.Fatalf("%+v, %v", a, err)
	}
	if _, err := begin("token 1", "k", "body", testNow); !errors.Is(err, ErrConflict) {
		t.Errorf("while the first is at work: %v", err)
	}
	if err := s.FinishIdempotent(t.Context(), "token 1", "k", StoredAnswer{Status: 201, ContentType: "application/json", Body: []byte(`{}`)}); err != nil {
		t.Fatal(err)
	}
	if a, err := begin("token 1", "k", "body", testNow.Add(time.Hour)); err != nil || a == nil || a.Status != 201 || string(a.Body) != `{}` {
		t.Errorf("%+v, %v", a, err)
	}
	if _, err := begin("token 1", "k", "another body", testNow); !errors.As(err, &KeyReusedError{}) {
		t.Errorf("another request: %v", err)
	}
	if a, err := begin("token 2", "k", "another body", testNow); a != nil || err != nil {
		t.Errorf("another principal: %+v, %v", a, err)
	}
	if err := s.AbandonIdempotent(t.Context(), "token 2", "k"); err != nil {
		t.Fatal(err)
	}
	if a, err := begin("token 2", "k", "body", testNow); a != nil || err != nil {
		t.Errorf("given back: %+v, %v", a, err)
	}
	if a, err := begin("token 1", "k", "another body", testNow.Add(IdempotencyLife+time.Second)); a != nil || err != nil {
		t.Errorf("a day later: %+v, %v", a, err)
	}
	if a, err := begin("token 2", "k", "body", testNow.Add(idempotencyAtWork+time.Second)); a != nil || err != nil {
		t.Errorf("after its process died: %+v, %v", a, err)
	}
}

func TestTheAuditLogOnlyGrows(t *testing.T) {
	t.Parallel()
	s, lee := withLee(t)
	ctx := WithActor(t.Context(), "person 99", "192.0.2.1")
	name := "Lee M."
	if _, err := s.ChangePerson(ctx, lee.ID, PersonChange{Name: &name, By: "Dana"}); err != nil {
		t.Fatal(err)
	}
	if !Noted(ctx) {
		t.Error("the context does not know that it was noted")
	}
	if _, err := s.SignIn(t.Context(), lee.Email, "a wrong password", here, testNow); !errors.Is(err, ErrNotFound) {
		t.Fatal(err)
	}
	if _, err := s.SignIn(t.Context(), lee.Email, goodPassword, here, testNow); err != nil {
		t.Fatal(err)
	}
	q := AuditQuery{Limit: 2}
	var got []string
	for more := true; more; more = q.Cursor != "" {
		page, next, err := s.Audit(t.Context(), q)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range page {
			got = append(got, fmt.Sprintf("%s|%s|%s|%s|%v|%s|%s", e.Actor, e.Name, e.Action, e.Object, e.Refused, e.Source, e.Detail))
		}
		q.Cursor = next
	}
	want := []string{
		"person 1|Lee M.|sign-in||false|192.0.2.7|password",
		"nobody||sign-in|person 1|true|192.0.2.7|password",
		"person 99||person-change|person 1|false|192.0.2.1|name",
		"test||person-add|person 1|false||technician",
	}
	if len(got) < 4 || fmt.Sprint(got[:4]) != fmt.Sprint(want) {
		t.Errorf("%q", got)
	}
	for _, sql := range []string{`UPDATE audit_entry SET actor = 'x'`, `DELETE FROM audit_entry`, `TRUNCATE audit_entry`} {
		if _, err := s.owner.Exec(t.Context(), sql); err == nil {
			t.Errorf("%s goes through", sql)
		}
	}
	// What was tried in vain changed nothing and is not told as done.
	before := count(t, s, `SELECT count(*) FROM audit_entry`)
	if _, err := s.AddPerson(t.Context(), NewPerson{Name: "Twice", Email: lee.Email, Role: RoleManager, By: "test"}); !errors.Is(err, ErrConflict) {
		t.Fatal(err)
	}
	if after := count(t, s, `SELECT count(*) FROM audit_entry`); after != before {
		t.Error("a change that did not happen is in the log")
	}
}
