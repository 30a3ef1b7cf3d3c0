package api

import (
	"context"
	"errors"
	"slices"
	"strconv"
	"time"

	"underkeep/api/view"
	"underkeep/store"
)

// bind gives a request's context its principal: whose rows the database shows
// from here on, and who did it for the audit log.
func bind(ctx context.Context, p view.Principal, source string) context.Context {
	return store.WithActor(store.WithScope(ctx, storeScope(p.Scope())), p.Actor, source)
}

// nobody is the context of a request before it is known whose it is.
func nobody(ctx context.Context) context.Context { return store.WithScope(ctx, store.Scope{}) }

func viewPrincipal(i store.Identity) view.Principal {
	return view.Principal{
		Actor: i.Actor(), Name: i.Name, Role: view.Role(i.Role), Everything: i.Scope.All, Properties: i.Scope.Properties,
		Actions: i.Actions, Units: i.Units,
	}
}

// Authenticate implements view.People.
func (s *storeSource) Authenticate(ctx context.Context, token string) (view.Principal, error) {
	t, err := s.store.CheckToken(ctx, token, s.now())
	if err != nil {
		return view.Principal{}, told(err)
	}
	return viewPrincipal(t.Identity()), nil
}

func storeOrigin(o view.Origin) store.Origin { return store.Origin(o) }

// signInError also tells view how long to wait.
func signInError(err error) error {
	var soon *store.TooSoonError
	if errors.As(err, &soon) {
		return view.TooSoonError{Wait: soon.Wait}
	}
	return told(err)
}

// SignIn implements view.SignIns.
func (s *storeSource) SignIn(ctx context.Context, email, password string, from view.Origin) (string, error) {
	secret, err := s.store.SignIn(ctx, email, password, storeOrigin(from), s.now())
	return secret, signInError(err)
}

// SignInByToken implements view.SignIns.
func (s *storeSource) SignInByToken(ctx context.Context, token string, from view.Origin) (string, error) {
	secret, err := s.store.StartTokenSession(ctx, token, storeOrigin(from), s.now())
	return secret, told(err)
}

// SignInVerified implements view.SignIns.
func (s *storeSource) SignInVerified(ctx context.Context, email string, from view.Origin) (string, error) {
	secret, err := s.store.StartVerifiedSession(ctx, email, storeOrigin(from), s.now())
	return secret, told(err)
}

// NewSignInLink implements view.SignIns.
func (s *storeSource) NewSignInLink(ctx context.Context, email string, from view.Origin) (view.SignInLink, error) {
	l, err := s.store.NewSignInLink(ctx, email, storeOrigin(from), s.now())
	return viewLink(l), told(err)
}

// SignInByLink implements view.SignIns.
func (s *storeSource) SignInByLink(ctx context.Context, link string, from view.Origin) (string, error) {
	secret, err := s.store.UseSignInLink(ctx, link, storeOrigin(from), s.now())
	return secret, told(err)
}

// CheckSession implements view.SignIns.
func (s *storeSource) CheckSession(ctx context.Context, secret string) (view.Principal, error) {
	i, err := s.store.CheckSession(ctx, secret, s.now())
	if err != nil {
		return view.Principal{}, told(err)
	}
	return viewPrincipal(i), nil
}

// EndSession implements view.SignIns.
func (s *storeSource) EndSession(ctx context.Context, secret string) error {
	return told(s.store.EndSession(ctx, secret, s.now()))
}

// identityOf goes back from a principal to the numbers in its actor.
func identityOf(p view.Principal) store.Identity {
	i := store.Identity{Name: p.Name, Role: store.Role(p.Role)}
	if n, ok := numberAfter(p.Actor, "person "); ok {
		i.Person = n
	}
	if n, ok := numberAfter(p.Actor, "token "); ok {
		i.Token = n
	}
	return i
}

func numberAfter(text, prefix string) (int32, bool) {
	if len(text) <= len(prefix) || text[:len(prefix)] != prefix {
		return 0, false
	}
	return objectID(text[len(prefix):])
}

// objectID reads the number of a person or token.
func objectID(id string) (int32, bool) {
	n, err := strconv.ParseInt(id, 10, 32)
	return int32(n), err == nil && n > 0 && strconv.FormatInt(n, 10) == id
}

// Sessions implements view.SignIns.
func (s *storeSource) Sessions(ctx context.Context, p view.Principal) ([]view.Session, error) {
	found, err := s.store.Sessions(ctx, identityOf(p), s.now())
	out := make([]view.Session, 0, len(found))
	for _, x := range found {
		out = append(out, view.Session{ID: strconv.FormatInt(x.ID, 10), Method: x.Method, CreatedAt: x.CreatedAt, SeenAt: x.SeenAt,
			Expires: x.ExpiresAt, Source: x.Source, Agent: x.Agent})
	}
	return out, told(err)
}

// EndSessionOf implements view.SignIns.
func (s *storeSource) EndSessionOf(ctx context.Context, p view.Principal, id string) error {
	n, err := strconv.ParseInt(id, 10, 64)
	if err != nil || n <= 0 {
		return view.ErrNotFound
	}
	return told(s.store.EndSessionOf(ctx, identityOf(p), n, s.now()))
}

// ChangePassword implements view.SignIns.
func (s *storeSource) ChangePassword(ctx context.Context, p view.Principal, old, new string) error {
	i := identityOf(p)
	if i.Person == 0 {
		return view.ErrNotFound
	}
	return told(s.store.ChangeOwnPassword(ctx, i.Person, old, new))
}

func viewPerson(p store.Person) view.Person {
	return view.Person{
		ID: strconv.Itoa(int(p.ID)), Name: p.Name, Email: p.Email, Phone: p.Phone, Role: view.Role(p.Role),
		Everything: p.Scope.All, Properties: p.Scope.Properties, Language: p.Language, Units: p.Units,
		HasPassword: p.HasPassword, CreatedAt: p.CreatedAt, CreatedBy: p.CreatedBy, Disabled: p.Disabled,
	}
}

// ListPeople implements view.Directory.
func (s *storeSource) ListPeople(ctx context.Context, q view.PeopleQuery) ([]view.Person, string, error) {
	ask := store.PeopleQuery{Property: q.Property, Disabled: q.Disabled, Cursor: q.After, Limit: q.Limit}
	if q.Role != "" {
		ask.Roles = []store.Role{store.Role(q.Role)}
	}
	found, next, err := s.store.People(ctx, ask)
	out := make([]view.Person, 0, len(found))
	for _, p := range found {
		out = append(out, viewPerson(p))
	}
	return out, next, told(err)
}

// FindPerson implements view.Directory.
func (s *storeSource) FindPerson(ctx context.Context, id string) (view.Person, error) {
	n, ok := objectID(id)
	if !ok {
		return view.Person{}, view.ErrNotFound
	}
	p, err := s.store.Person(ctx, n)
	return viewPerson(p), told(err)
}

// AddPerson implements view.Directory.
func (s *storeSource) AddPerson(ctx context.Context, p view.Person, password, by string) (view.Person, error) {
	added, err := s.store.AddPerson(ctx, store.NewPerson{
		Name: p.Name, Email: p.Email, Phone: p.Phone, Role: store.Role(p.Role), All: p.Everything, Properties: p.Properties,
		Language: p.Language, Units: p.Units, Password: password, By: by,
	})
	return viewPerson(added), told(err)
}

// ChangePerson implements view.Directory.
func (s *storeSource) ChangePerson(ctx context.Context, id string, c view.PersonChange, by string) (view.Person, error) {
	now, err := s.FindPerson(ctx, id)
	if err != nil {
		return view.Person{}, err
	}
	n, _ := objectID(id)
	change := store.PersonChange{Name: c.Name, Email: c.Email, Phone: c.Phone, Language: c.Language, Units: c.Units, Password: c.Password,
		Role: (*store.Role)(c.Role), All: c.Everything, Disabled: c.Disabled, By: by}
	if c.Properties != nil {
		for _, p := range *c.Properties {
			if !slices.Contains(now.Properties, p) {
				change.Grant = append(change.Grant, p)
			}
		}
		for _, p := range now.Properties {
			if !slices.Contains(*c.Properties, p) {
				change.Withdraw = append(change.Withdraw, p)
			}
		}
	}
	p, err := s.store.ChangePerson(ctx, n, change)
	return viewPerson(p), told(err)
}

// Invite implements view.Directory.
func (s *storeSource) Invite(ctx context.Context, id, by string) (view.SignInLink, error) {
	n, ok := objectID(id)
	if !ok {
		return view.SignInLink{}, view.ErrNotFound
	}
	l, err := s.store.Invite(ctx, n, by, s.now())
	return viewLink(l), told(err)
}

func viewLink(l store.SignInLink) view.SignInLink {
	return view.SignInLink{Person: strconv.Itoa(int(l.Person.ID)), Name: l.Person.Name, Email: l.Person.Email, Language: l.Person.Language, Secret: l.Secret, Expires: l.Expires}
}

func viewToken(t store.Token) view.Token {
	return view.Token{ID: strconv.Itoa(int(t.ID)), Name: t.Name, Role: view.Role(t.Role), Everything: t.Scope.All, Properties: t.Scope.Properties,
		Actions: t.Actions, CreatedAt: t.CreatedAt, CreatedBy: t.CreatedBy, Expires: t.Expires, Revoked: t.Revoked, LastUsed: t.LastUsed}
}

// ListTokens implements view.Directory.
func (s *storeSource) ListTokens(ctx context.Context) ([]view.Token, error) {
	found, err := s.store.Tokens(ctx)
	out := make([]view.Token, 0, len(found))
	for _, t := range found {
		out = append(out, viewToken(t))
	}
	return out, told(err)
}

// IssueToken implements view.Directory.
func (s *storeSource) IssueToken(ctx context.Context, n view.NewToken) (string, view.Token, error) {
	secret, t, err := s.store.IssueToken(ctx, store.NewToken{Name: n.Name, Role: store.Role(n.Role), Properties: n.Properties,
		Actions: n.Actions, Expires: n.Expires, By: n.By})
	return secret, viewToken(t), told(err)
}

// RevokeToken implements view.Directory.
func (s *storeSource) RevokeToken(ctx context.Context, id, by string) error {
	n, ok := objectID(id)
	if !ok {
		return view.ErrNotFound
	}
	return told(s.store.RevokeToken(ctx, n, by))
}

// IssueGateway implements view.Directory.
func (s *storeSource) IssueGateway(ctx context.Context, scope view.Scope, property, gateway string, overlap time.Duration, by string) (view.GatewayCredentials, error) {
	if !scope.Allows(property) {
		return view.GatewayCredentials{}, view.ErrNotFound
	}
	c, err := s.store.RotateGateway(ctx, property, gateway, overlap, by)
	return view.GatewayCredentials(c), told(err)
}

// RevokeGateway implements view.Directory.
func (s *storeSource) RevokeGateway(ctx context.Context, scope view.Scope, property, gateway, by string) error {
	if !scope.Allows(property) {
		return view.ErrNotFound
	}
	return told(s.store.RevokeGateway(ctx, property, gateway, by))
}

// ListGateways implements view.Directory.
func (s *storeSource) ListGateways(ctx context.Context, scope view.Scope, q view.GatewayQuery) ([]view.GatewayAccount, string, error) {
	found, next, err := s.store.GatewayPage(ctx, store.GatewayQuery{Scope: storeScope(scope), Property: q.Property, Text: q.Text,
		SilentSince: q.SilentSince, Cursor: q.After, Limit: q.Limit})
	out := make([]view.GatewayAccount, len(found))
	for i, g := range found {
		out[i] = view.GatewayAccount(g)
	}
	return out, next, told(err)
}

// ListAudit implements view.Directory.
func (s *storeSource) ListAudit(ctx context.Context, q view.AuditQuery) ([]view.AuditEntry, string, error) {
	found, next, err := s.store.Audit(ctx, store.AuditQuery{Actor: q.Actor, Action: q.Action, Object: q.Object, From: q.From, To: q.To, Cursor: q.After, Limit: q.Limit})
	out := make([]view.AuditEntry, 0, len(found))
	for _, e := range found {
		out = append(out, view.AuditEntry{ID: strconv.FormatInt(e.ID, 10), At: e.At, Actor: e.Actor, Name: e.Name, Action: e.Action,
			Object: e.Object, Source: e.Source, Detail: e.Detail, Refused: e.Refused})
	}
	return out, next, told(err)
}

// Note implements view.Directory.
func (s *storeSource) Note(ctx context.Context, e view.AuditEntry) error {
	if store.Noted(ctx) {
		return nil // the change itself was noted, in its transaction
	}
	return told(s.store.Note(ctx, store.AuditEntry{Actor: e.Actor, Action: e.Action, Object: e.Object, Source: e.Source, Detail: e.Detail, Refused: e.Refused}))
}

// ServiceCounts implements view.Directory.
func (s *storeSource) ServiceCounts(ctx context.Context) (view.ServiceCounts, error) {
	c, err := s.store.ServiceCounts(ctx, s.now())
	return view.ServiceCounts(c), told(err)
}

// BeginIdempotent implements view.Answers.
func (s *storeSource) BeginIdempotent(ctx context.Context, principal, key string, request [32]byte) (*view.StoredAnswer, error) {
	a, err := s.store.BeginIdempotent(ctx, principal, key, request, s.now())
	var reused store.KeyReusedError
	switch {
	case errors.As(err, &reused):
		return nil, view.ErrKeyReused
	case err != nil || a == nil:
		return nil, told(err)
	}
	return (*view.StoredAnswer)(a), nil
}

// FinishIdempotent implements view.Answers.
func (s *storeSource) FinishIdempotent(ctx context.Context, principal, key string, a view.StoredAnswer) error {
	return told(s.store.FinishIdempotent(ctx, principal, key, store.StoredAnswer(a)))
}

// AbandonIdempotent implements view.Answers.
func (s *storeSource) AbandonIdempotent(ctx context.Context, principal, key string) error {
	return told(s.store.AbandonIdempotent(ctx, principal, key))
}
