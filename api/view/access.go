package view

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"time"
)

// The actions of running the service.
const (
	ManagePeople   Action = 100 + iota // add, change, list
	ManageTokens                       // list, create, revoke
	ManageGateways                     // issue and revoke passwords
	ReadAudit
	ReadService // how the service does, nothing of any house
	Self        // one's own name, sessions and password
)

var administration = map[Role][]Action{
	Manager:    {ManagePeople, ManageTokens, ManageGateways, ReadAudit, ReadService, Self},
	Technician: {Self},
	OwnerRole:  {Self},
	Warranty:   {Self},
	Operator:   {ReadService, Self},
}

// actionNames are what a token may be narrowed to. An action without a name is
// out of reach of every narrowed token.
var actionNames = map[Action]string{
	Read: "read", Acknowledge: "acknowledge", Shelve: "shelve", WriteFleet: "write-fleet", Quarantine: "quarantine",
	ReadGateways: "read-gateways", SeeOwner: "see-owner", ReadLoad: "read-load",
	ManagePeople: "manage-people", ManageTokens: "manage-tokens", ManageGateways: "manage-gateways", ReadAudit: "read-audit",
	ReadService: "read-service", Self: "self", ReadDeliveries: "read-deliveries",
	ReadVisits: "read-visits", RecordVisits: "record-visits", PlanVisits: "plan-visits", SetTerms: "set-terms", ReportOutage: "report-outage",
}

// ActionNames lists what a token may be narrowed to.
func ActionNames() []string { return slices.Sorted(maps.Values(actionNames)) }

// Origin is where a request came from.
type Origin struct {
	Source string // address
	Agent  string // what the browser calls itself
	Old    string // secret of the session that a new one takes the place of
}

// TooSoonError refuses a try to sign in for a while.
type TooSoonError struct{ Wait time.Duration }

// Error says how long to wait.
func (e TooSoonError) Error() string { return fmt.Sprintf("wait %s", e.Wait) }

// SignInLink is a one-time link that a person asked for.
type SignInLink struct {
	Person                string // number
	Name, Email, Language string
	Secret                string // part of the link's address
	Expires               time.Time
}

// SignIns lets people in and out. Secrets of sessions are returned once; an
// unknown address, a wrong password and a used link are all ErrNotFound.
type SignIns interface {
	SignIn(ctx context.Context, email, password string, from Origin) (secret string, err error)
	SignInByToken(ctx context.Context, token string, from Origin) (secret string, err error)
	// SignInVerified is for an address that an OpenID provider vouches for.
	SignInVerified(ctx context.Context, email string, from Origin) (secret string, err error)
	NewSignInLink(ctx context.Context, email string, from Origin) (SignInLink, error)
	SignInByLink(ctx context.Context, link string, from Origin) (secret string, err error)
	// CheckSession finds the principal of a session.
	CheckSession(ctx context.Context, secret string) (Principal, error)
	EndSession(ctx context.Context, secret string) error
	// Sessions of the principal, newest first.
	Sessions(ctx context.Context, p Principal) ([]Session, error)
	EndSessionOf(ctx context.Context, p Principal, id string) error
	ChangePassword(ctx context.Context, p Principal, old, new string) error
}

// Session is one signed-in browser.
type Session struct {
	ID                         string
	Method                     string // password, mail-link, openid, token
	CreatedAt, SeenAt, Expires time.Time
	Source, Agent              string
}

// Person is somebody who signs in or is written to.
type Person struct {
	ID                 string
	Name, Email, Phone string
	Role               Role
	Everything         bool
	Properties         []string
	Language, Units    string
	HasPassword        bool
	CreatedAt          time.Time
	CreatedBy          string
	Disabled           time.Time // zero: not disabled
}

// PersonChange changes what is not nil. Properties takes the place of all that
// the person has.
type PersonChange struct {
	Name, Email, Phone, Language, Units, Password *string
	Role                                          *Role
	Everything, Disabled                          *bool
	Properties                                    *[]string
}

// PeopleQuery selects a page of people, by id.
type PeopleQuery struct {
	Role     Role   // "" any
	Property string // whoever owns it, is assigned to it or has every property
	Disabled bool   // also those disabled
	After    string
	Limit    int
}

// Token is what is known of a bearer token; never its secret.
type Token struct {
	ID                                    string
	Name                                  string
	Role                                  Role
	Everything                            bool
	Properties                            []string
	Actions                               []string // nil: all that the role may
	CreatedAt, Expires, Revoked, LastUsed time.Time
	CreatedBy                             string
}

// NewToken asks for a bearer token.
type NewToken struct {
	Name       string
	Role       Role
	Properties []string
	Actions    []string
	Expires    time.Time
	By         string
}

// AuditEntry is one line of the audit log.
type AuditEntry struct {
	ID                                          string
	At                                          time.Time
	Actor, Name, Action, Object, Source, Detail string
	Refused                                     bool
}

// AuditQuery selects a page of the audit log, newest first.
type AuditQuery struct {
	Actor, Action, Object string
	From, To              time.Time
	After                 string
	Limit                 int
}

// GatewayCredentials are what a gateway signs in with over MQTT; the password is
// known only now.
type GatewayCredentials struct {
	Username, Password string
	// OldUntil is when the password before stops to work; zero: there was none.
	OldUntil time.Time
}

// GatewayAccount is a gateway with its user name and its last sign of life.
type GatewayAccount struct {
	Property, Gateway string
	Title             string // of the property
	Revoked           bool
	Username          string    // of the password in use
	OldUntil          time.Time // when the one before stops to work; zero: no other
	HeardAt           time.Time // zero: never
}

// GatewayQuery selects a page of gateways. Zero fields do not limit.
type GatewayQuery struct {
	Property    string
	Text        string // part of the property's id or name
	SilentSince time.Time
	After       string
	Limit       int
}

// Directory knows people, tokens and gateways' credentials, and what was done
// in the service.
type Directory interface {
	ListPeople(ctx context.Context, q PeopleQuery) ([]Person, string, error)
	FindPerson(ctx context.Context, id string) (Person, error)
	AddPerson(ctx context.Context, p Person, password, by string) (Person, error)
	ChangePerson(ctx context.Context, id string, c PersonChange, by string) (Person, error)

	// Invite makes a link with which a person signs in for the first time;
	// ErrConflict when they cannot be written to.
	Invite(ctx context.Context, id, by string) (SignInLink, error)

	ListTokens(ctx context.Context) ([]Token, error)
	IssueToken(ctx context.Context, n NewToken) (secret string, t Token, err error)
	RevokeToken(ctx context.Context, id, by string) error

	// IssueGateway gives a gateway its first password, or a new one beside the
	// old, which works on for overlap.
	IssueGateway(ctx context.Context, scope Scope, property, gateway string, overlap time.Duration, by string) (GatewayCredentials, error)
	RevokeGateway(ctx context.Context, scope Scope, property, gateway, by string) error

	// ListGateways lists a page of gateways, the one that was not heard of for
	// longest first.
	ListGateways(ctx context.Context, scope Scope, q GatewayQuery) ([]GatewayAccount, string, error)

	ListAudit(ctx context.Context, q AuditQuery) ([]AuditEntry, string, error)
	// Note puts an entry into the audit log.
	Note(ctx context.Context, e AuditEntry) error

	ServiceCounts(ctx context.Context) (ServiceCounts, error)
}

// ServiceCounts tell an operator how the service does, and nothing of any house.
type ServiceCounts struct {
	Gateways, SilentGateways int            // known; not heard of for a day
	Quarantine               map[string]int // open entries by reason
}

// StoredAnswer is what a write with an Idempotency-Key was answered.
type StoredAnswer struct {
	Status      int
	ContentType string
	Location    string
	Body        []byte
}

// Answers keeps the answers to writes that carried an Idempotency-Key.
type Answers interface {
	// BeginIdempotent takes the key: the earlier answer, or nil for the first;
	// ErrConflict while the first is at work, ErrKeyReused for another request.
	BeginIdempotent(ctx context.Context, principal, key string, request [32]byte) (*StoredAnswer, error)
	FinishIdempotent(ctx context.Context, principal, key string, a StoredAnswer) error
	AbandonIdempotent(ctx context.Context, principal, key string) error
}
