package view

import "slices"

// Role of the holder of a token.
type Role string

// The roles of the contract.
const (
	Manager    Role = "manager"    // every property, every write
	Technician Role = "technician" // assigned properties: read, answer alarms
	OwnerRole  Role = "owner"      // own properties: read, acknowledge
	Warranty   Role = "warranty"   // read only
	Operator   Role = "operator"   // how the service does, no property
)

// Principal is who a token speaks for.
type Principal struct {
	Actor      string // "person 12" or "token 3"; one of a kind
	Name       string
	Role       Role
	Everything bool     // the token speaks for the whole fleet
	Properties []string // else for these
	Actions    []string // of a token: nil for all that its role may
	Units      string   // "us", "si"; "": those of the property
}

// Scope is which properties a query may touch; every query of Source carries
// one, so that a forgotten check shows nothing rather than everything.
type Scope struct {
	All bool
	IDs []string
}

// Scope of the principal. An owner never speaks for a whole fleet, whatever the
// token says.
func (p Principal) Scope() Scope {
	if p.Role == Operator {
		return Scope{}
	}
	if p.Everything && p.Role != OwnerRole {
		return Scope{All: true}
	}
	return Scope{IDs: p.Properties}
}

// Allows says whether the scope covers the property.
func (s Scope) Allows(property string) bool {
	return s.All || slices.Contains(s.IDs, property)
}

// Action is something that a role may or may not do.
type Action uint8

// The actions of the API and the pages.
const (
	Read Action = iota + 1
	Acknowledge
	Shelve         // shelve, unshelve, take out of service and return
	WriteFleet     // add or change properties
	Quarantine     // list, replay and discard what could not be used
	ReadGateways   // how the gateways of a property are doing
	SeeOwner       // the owner's way of being reached
	ReadVisits     // visits, sensor checks, pump tests and what service is due
	RecordVisits   // begin, record and sign off visits
	PlanVisits     // plan, assign, change and cancel visits, take back records
	ReadDeliveries // who was told of what, and who is to be
	ReadLoad       // what the fleet's alarms ask of those who answer them
	SetTerms       // add terms and assign them
	ReportOutage   // tell of a time without power
)

var allowed = map[Role][]Action{
	Manager: {Read, Acknowledge, Shelve, WriteFleet, Quarantine, ReadGateways, SeeOwner, ReadLoad, ReadDeliveries, ReadVisits, RecordVisits, PlanVisits,
		SetTerms, ReportOutage},
	Technician: {Read, Acknowledge, Shelve, ReadGateways, ReadVisits, RecordVisits, ReportOutage},
	OwnerRole:  {Read, Acknowledge, SeeOwner, ReadVisits, ReportOutage},
	Warranty:   {Read, ReadVisits},
}

// May says whether the role, and the token where it is one, allow the action at
// all; which objects it may be done to is the scope's business.
func (p Principal) May(a Action) bool {
	if !slices.Contains(allowed[p.Role], a) && !slices.Contains(administration[p.Role], a) {
		return false
	}
	return p.Actions == nil || slices.Contains(p.Actions, actionNames[a])
}
