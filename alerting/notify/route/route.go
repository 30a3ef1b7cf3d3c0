// Package route decides who is told of an alarm, over which channel and when,
// and who next if nobody acknowledges. It reads no clock and knows no database:
// the moment, the people and the rules are handed in.
package route

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"underkeep/alerting"
	"underkeep/store/site"
)

// Channel is a way to reach somebody.
type Channel string

// The channels that rules may name; webhooks have no people behind them.
const (
	Mail Channel = "mail"
	Text Channel = "text"
)

// Role of a person towards a property.
type Role string

// The roles that rules may name.
const (
	Owner      Role = "owner"
	Manager    Role = "manager"
	Technician Role = "technician"
)

// Person is somebody who has to do with the property.
type Person struct {
	ID           int32
	Role         Role
	Email, Phone string // "" : cannot be reached that way
}

// Event is an alarm that people are to hear of.
type Event struct {
	Property  string
	Zone      *time.Location // of the property
	Condition site.Condition
	Priority  alerting.Priority
	At        time.Time
}

// Told is one message to one recipient that follows from the rules.
type Told struct {
	Channel   Channel
	Recipient string // address or number
	Person    int32  // 0: an address in the rules
	Audience  string // owner | company
	Step      int    // 0: at first; n: the nth escalation, if nobody has acknowledged by then
	Digest    bool   // with others in the daily digest, at At
	At        time.Time
}

// Plan lists who is told of an event: the rules that apply first, each recipient
// once a channel, then the escalation. It never errs: a rule that reaches nobody
// tells nobody, and Reaches says so.
func (c *Config) Plan(e Event, people []Person) []Told {
	p := planner{c: c, e: e, people: people}
	rules, steps := c.of(e.Property)
	for i := range rules {
		p.rule(&rules[i])
	}
	for i := range steps {
		p.step(&steps[i], i+1)
	}
	return p.out
}

type planner struct {
	c      *Config
	e      Event
	people []Person
	out    []Told
}

func (p *planner) rule(r *Rule) {
	if !r.matches(p.e) || !p.c.calendar.has(r.When, p.e.At.In(p.e.Zone)) {
		return
	}
	at := p.e.At
	if r.Digest {
		at = p.c.NextDigest(at, p.e.Zone)
	} else if r.WaitFor != "" {
		at = p.c.calendar.next(r.WaitFor, at, p.e.Zone)
	}
	p.tell(r.To, r.By, Told{Digest: r.Digest, At: at})
}

func (p *planner) step(s *Step, n int) {
	at := p.e.At.Add(s.After)
	if !s.matches(p.e) || !p.c.calendar.has(s.When, at.In(p.e.Zone)) {
		return
	}
	if s.WaitFor != "" {
		at = p.c.calendar.next(s.WaitFor, at, p.e.Zone)
	}
	p.tell(s.To, s.By, Told{Step: n, At: at})
}

func (p *planner) tell(to []string, by []Channel, t Told) {
	for _, name := range to {
		for _, who := range p.recipients(name, by) {
			t.Channel, t.Recipient, t.Person, t.Audience = who.Channel, who.Recipient, who.Person, who.Audience
			p.add(t)
		}
	}
}

// add keeps one message a recipient, channel and step: the earliest, and rather
// a message of its own than a line in a digest.
func (p *planner) add(t Told) {
	i := slices.IndexFunc(p.out, func(o Told) bool {
		return o.Channel == t.Channel && o.Recipient == t.Recipient && o.Step == t.Step
	})
	switch {
	case i < 0:
		p.out = append(p.out, t)
	case p.out[i].Digest && !t.Digest || p.out[i].Digest == t.Digest && t.At.Before(p.out[i].At):
		p.out[i] = t
	}
}

// recipients behind a name in a rule: a role, an address or a number.
func (p *planner) recipients(name string, by []Channel) []Told {
	switch {
	case strings.Contains(name, "@"):
		return []Told{{Channel: Mail, Recipient: name, Audience: "company"}}
	case strings.HasPrefix(name, "+"):
		return []Told{{Channel: Text, Recipient: name, Audience: "company"}}
	}
	var out []Told
	for _, who := range p.people {
		if plural[name] != who.Role {
			continue
		}
		audience := "company"
		if who.Role == Owner {
			audience = "owner"
		}
		for _, c := range by {
			if to := who.reached(c); to != "" {
				out = append(out, Told{Channel: c, Recipient: to, Person: who.ID, Audience: audience})
			}
		}
	}
	return out
}

func (p Person) reached(c Channel) string {
	if c == Text {
		return p.Phone
	}
	return strings.ToLower(p.Email)
}

// NextDigest is when the next daily digest goes out after t, in the zone.
func (c *Config) NextDigest(t time.Time, zone *time.Location) time.Time {
	for day := 0; ; day++ {
		noon := Clock(12*60).On(t, zone).AddDate(0, 0, day)
		if at := c.digest.On(noon, zone); at.After(t) {
			return at
		}
	}
}

// Expiry is how long a message about an alarm of the priority is worth sending.
// Longer than a mail server is down over a weekend; whether there is still
// something to tell is checked before each attempt.
func Expiry(p alerting.Priority) time.Duration {
	const day = 24 * time.Hour
	return map[alerting.Priority]time.Duration{alerting.Low: 7 * day, alerting.Medium: 4 * day,
		alerting.High: 4 * day, alerting.Urgent: 3 * day}[cmp.Or(p, alerting.Low)]
}
