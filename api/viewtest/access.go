package viewtest

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"underkeep/api/view"
)

// Password of every person of the fixed fleet.
const Password = "a quiet crawl space"

// Access is what the fixed fleet knows of people, sessions and tokens.
type Access struct {
	Persons  []view.Person
	Issued   []view.Token
	Log      []view.AuditEntry // oldest first
	sessions map[string]string // secret → token of People
	links    map[string]string // link → e-mail address
	answers  map[string]*keptAnswer
	tries    map[string]int
}

type keptAnswer struct {
	request [32]byte
	answer  *view.StoredAnswer
}

func newAccess() Access {
	person := func(id, name, email string, role view.Role, all bool, properties ...string) view.Person {
		return view.Person{ID: id, Name: name, Email: email, Role: role, Everything: all, Properties: properties, Language: "en",
			HasPassword: true, CreatedAt: Now.AddDate(0, -4, 0), CreatedBy: "test"}
	}
	return Access{
		Persons: []view.Person{
			person("1", "Dana Brook", "dana@example.org", view.Manager, true), person("2", "Lee Marsh", "lee@example.org", view.Technician, false, "heron-07", "tern-12"),
			person("3", "R. Okafor", "owner@example.org", view.OwnerRole, false, "heron-07"), person("4", "Claims desk", "claims@example.org", view.Warranty, true),
			person("5", "Night shift", "ops@example.org", view.Operator, false),
		},
		Issued:   []view.Token{{ID: "1", Name: "a dashboard", Role: view.Manager, Everything: true, CreatedAt: Now.AddDate(0, -1, 0), CreatedBy: "Dana Brook", LastUsed: Now.Add(-time.Hour)}},
		sessions: map[string]string{}, links: map[string]string{}, answers: map[string]*keptAnswer{}, tries: map[string]int{},
	}
}

// tokenOf is the key in People of whoever has the address.
var tokenOf = map[string]string{"dana@example.org": ManagerToken, "lee@example.org": TechnicianToken, "owner@example.org": OwnerToken,
	"claims@example.org": WarrantyToken, "ops@example.org": OperatorToken}

func (f *Fleet) start(token string) string {
	secret := fmt.Sprintf("session-%d", len(f.sessions)+1)
	f.sessions[secret] = token
	return secret
}

// SignIn implements view.SignIns.
func (f *Fleet) SignIn(_ context.Context, email, password string, from view.Origin) (string, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	token, known := tokenOf[email]
	switch {
	case f.Down != nil:
		return "", f.Down
	case f.tries[from.Source+email] >= 5:
		return "", view.TooSoonError{Wait: time.Minute}
	case !known || password != Password:
		f.tries[from.Source+email]++
		return "", view.ErrNotFound
	}
	return f.start(token), nil
}

// SignInByToken implements view.SignIns.
func (f *Fleet) SignInByToken(ctx context.Context, token string, _ view.Origin) (string, error) {
	if _, err := f.Authenticate(ctx, token); err != nil {
		return "", err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.start(token), nil
}

// SignInVerified implements view.SignIns.
func (f *Fleet) SignInVerified(_ context.Context, email string, _ view.Origin) (string, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if tokenOf[email] == "" {
		return "", view.ErrNotFound
	}
	return f.start(tokenOf[email]), f.Down
}

// NewSignInLink implements view.SignIns.
func (f *Fleet) NewSignInLink(_ context.Context, email string, _ view.Origin) (view.SignInLink, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if !slices.ContainsFunc(f.Persons, func(p view.Person) bool { return p.Email == email }) {
		return view.SignInLink{}, view.ErrNotFound
	}
	secret := fmt.Sprintf("link-%d", len(f.links)+1)
	f.links[secret] = email
	return view.SignInLink{Name: email, Email: email, Language: "en", Secret: secret, Expires: Now.Add(15 * time.Minute)}, f.Down
}

// SignInByLink implements view.SignIns.
func (f *Fleet) SignInByLink(_ context.Context, link string, _ view.Origin) (string, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	email := f.links[link]
	if email == "" {
		return "", view.ErrNotFound
	}
	f.links[link] = ""
	return f.start(tokenOf[email]), f.Down
}

// CheckSession implements view.SignIns.
func (f *Fleet) CheckSession(ctx context.Context, secret string) (view.Principal, error) {
	f.mu.Lock()
	token := f.sessions[secret]
	f.mu.Unlock()
	return f.Authenticate(ctx, token)
}

// EndSession implements view.SignIns.
func (f *Fleet) EndSession(_ context.Context, secret string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	delete(f.sessions, secret)
	return f.Down
}

// Sessions implements view.SignIns.
func (f *Fleet) Sessions(_ context.Context, p view.Principal) ([]view.Session, error) {
	if p.Role == view.Operator {
		return nil, f.Down
	}
	return []view.Session{{ID: "7", Method: "password", CreatedAt: Now.Add(-time.Hour), SeenAt: Now, Expires: Now.AddDate(0, 0, 14), Source: "192.0.2.7", Agent: "a browser"}}, f.Down
}

// EndSessionOf implements view.SignIns.
func (f *Fleet) EndSessionOf(_ context.Context, _ view.Principal, id string) error {
	if id != "7" {
		return cmp.Or(f.Down, view.ErrNotFound)
	}
	return f.Down
}

// ChangePassword implements view.SignIns.
func (f *Fleet) ChangePassword(_ context.Context, _ view.Principal, old, _ string) error {
	if old != Password {
		return cmp.Or(f.Down, view.ErrConflict)
	}
	return f.Down
}

// ListPeople implements view.Directory.
func (f *Fleet) ListPeople(_ context.Context, q view.PeopleQuery) ([]view.Person, string, error) {
	var out []view.Person
	for _, p := range f.Persons {
		if p.ID > q.After && (q.Role == "" || q.Role == p.Role) && (q.Property == "" || p.Everything || slices.Contains(p.Properties, q.Property)) {
			out = append(out, p)
		}
	}
	if q.Limit > 0 && len(out) > q.Limit {
		return out[:q.Limit], out[q.Limit-1].ID, f.Down
	}
	return out, "", f.Down
}

// FindPerson implements view.Directory.
func (f *Fleet) FindPerson(_ context.Context, id string) (view.Person, error) {
	for _, p := range f.Persons {
		if p.ID == id {
			return p, f.Down
		}
	}
	return view.Person{}, cmp.Or(f.Down, view.ErrNotFound)
}

// AddPerson implements view.Directory.
func (f *Fleet) AddPerson(_ context.Context, p view.Person, _, by string) (view.Person, error) {
	p.Language = cmp.Or(p.Language, "en")
	p.ID, p.CreatedBy, p.CreatedAt = strconv.Itoa(len(f.Persons)+1), by, Now
	if tokenOf[p.Email] != "" {
		return view.Person{}, cmp.Or[error](f.Down, &view.FieldError{Field: "email", Problem: "somebody has this e-mail address already", Err: view.ErrConflict})
	}
	if p.Name == "" {
		return view.Person{}, cmp.Or[error](f.Down, &view.FieldError{Field: "name", Problem: "a person needs a name", Err: view.ErrInvalid})
	}
	f.Persons = append(f.Persons, p)
	return p, f.Down
}

// ChangePerson implements view.Directory.
func (f *Fleet) ChangePerson(ctx context.Context, id string, c view.PersonChange, _ string) (view.Person, error) {
	p, err := f.FindPerson(ctx, id)
	if err != nil {
		return p, err
	}
	if c.Disabled != nil {
		p.Disabled = time.Time{}
		if *c.Disabled {
			p.Disabled = Now
		}
	}
	for to, from := range map[*string]*string{&p.Name: c.Name, &p.Email: c.Email, &p.Phone: c.Phone, &p.Language: c.Language, &p.Units: c.Units} {
		if from != nil {
			*to = *from
		}
	}
	if c.Role != nil {
		p.Role = *c.Role
	}
	if c.Everything != nil {
		p.Everything = *c.Everything
	}
	if c.Properties != nil {
		p.Properties = *c.Properties
	}
	if p.Name == "" {
		return p, &view.FieldError{Field: "name", Problem: "a person needs a name", Err: view.ErrInvalid}
	}
	for i := range f.Persons {
		if f.Persons[i].ID == id {
			f.Persons[i] = p
		}
	}
	return p, nil
}

// Invite implements view.Directory.
func (f *Fleet) Invite(ctx context.Context, id, _ string) (view.SignInLink, error) {
	p, err := f.FindPerson(ctx, id)
	if err == nil && (p.Email == "" || !p.Disabled.IsZero()) {
		err = &view.FieldError{Field: "email", Problem: "an invitation needs an e-mail address", Err: view.ErrConflict}
	}
	if err != nil {
		return view.SignInLink{}, err
	}
	l, err := f.NewSignInLink(ctx, p.Email, view.Origin{})
	l.Person, l.Name, l.Expires = id, p.Name, Now.Add(72*time.Hour)
	return l, err
}

// ListTokens implements view.Directory.
func (f *Fleet) ListTokens(context.Context) ([]view.Token, error) { return f.Issued, f.Down }

// IssueToken implements view.Directory.
func (f *Fleet) IssueToken(_ context.Context, n view.NewToken) (string, view.Token, error) {
	if n.Role == view.OwnerRole && len(n.Properties) == 0 {
		return "", view.Token{}, cmp.Or[error](f.Down, &view.FieldError{Field: "properties", Problem: "an owner's token without a property", Err: view.ErrInvalid})
	}
	return "uk_secret", view.Token{ID: "2", Name: n.Name, Role: n.Role, Everything: len(n.Properties) == 0, Properties: n.Properties,
		Actions: n.Actions, CreatedAt: Now, CreatedBy: n.By, Expires: n.Expires}, f.Down
}

// RevokeToken implements view.Directory.
func (f *Fleet) RevokeToken(_ context.Context, id, _ string) error {
	if id != "1" {
		return cmp.Or(f.Down, view.ErrNotFound)
	}
	return f.Down
}

// IssueGateway implements view.Directory.
func (f *Fleet) IssueGateway(ctx context.Context, scope view.Scope, property, gateway string, overlap time.Duration, _ string) (view.GatewayCredentials, error) {
	if _, err := f.Property(ctx, scope, property); err != nil {
		return view.GatewayCredentials{}, err
	}
	return view.GatewayCredentials{Username: property + "/" + gateway + "~2", Password: "secret", OldUntil: Now.Add(overlap)}, f.Down
}

// ListGateways implements view.Directory.
func (f *Fleet) ListGateways(_ context.Context, scope view.Scope, q view.GatewayQuery) ([]view.GatewayAccount, string, error) {
	var out []view.GatewayAccount
	for _, p := range f.Props {
		if !scope.Allows(p.ID) || q.Property != "" && q.Property != p.ID || !strings.Contains(p.ID+" "+p.Name, q.Text) {
			continue
		}
		for _, g := range f.GatewaysOf[p.ID] {
			if q.SilentSince.IsZero() || g.LastReceived.Before(q.SilentSince) {
				out = append(out, view.GatewayAccount{Property: p.ID, Gateway: g.ID, Title: p.Name, Revoked: g.Revoked, Username: p.ID + "/" + g.ID, HeardAt: g.LastReceived})
			}
		}
	}
	slices.SortStableFunc(out, func(a, b view.GatewayAccount) int { return a.HeardAt.Compare(b.HeardAt) })
	return out, "", f.Down
}

// RevokeGateway implements view.Directory.
func (f *Fleet) RevokeGateway(ctx context.Context, scope view.Scope, property, gateway, _ string) error {
	found, err := f.Gateways(ctx, scope, property)
	if err == nil && !slices.ContainsFunc(found, func(g view.Gateway) bool { return g.ID == gateway }) {
		return view.ErrNotFound
	}
	return err
}

// ListAudit implements view.Directory.
func (f *Fleet) ListAudit(context.Context, view.AuditQuery) ([]view.AuditEntry, string, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	out := slices.Clone(f.Log)
	slices.Reverse(out)
	return out, "", f.Down
}

// Note implements view.Directory.
func (f *Fleet) Note(_ context.Context, e view.AuditEntry) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	e.ID, e.At = strconv.Itoa(len(f.Log)+1), Now
	f.Log = append(f.Log, e)
	return f.Down
}

// ServiceCounts implements view.Directory.
func (f *Fleet) ServiceCounts(context.Context) (view.ServiceCounts, error) {
	return view.ServiceCounts{Gateways: 9, SilentGateways: 1, Quarantine: map[string]int{"wrong-unit": 1}}, f.Down
}

// BeginIdempotent implements view.Answers.
func (f *Fleet) BeginIdempotent(_ context.Context, principal, key string, request [32]byte) (*view.StoredAnswer, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	kept := f.answers[principal+key]
	switch {
	case f.Down != nil:
		return nil, f.Down
	case kept == nil:
		f.answers[principal+key] = &keptAnswer{request: request}
		return nil, nil
	case kept.request != request:
		return nil, view.ErrKeyReused
	case kept.answer == nil:
		return nil, view.ErrConflict
	}
	return kept.answer, nil
}

// FinishIdempotent implements view.Answers.
func (f *Fleet) FinishIdempotent(_ context.Context, principal, key string, a view.StoredAnswer) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if kept := f.answers[principal+key]; kept != nil {
		kept.answer = &a
	}
	return f.Down
}

// AbandonIdempotent implements view.Answers.
func (f *Fleet) AbandonIdempotent(_ context.Context, principal, key string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	delete(f.answers, principal+key)
	return f.Down
}
