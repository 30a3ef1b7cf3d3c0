package notify

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/alerting"
	"underkeep/alerting/notify/route"
	"underkeep/store"
)

// Planner turns changes of alarms into deliveries, in the transaction that
// writes the changes: a message exists exactly when what it tells of does.
type Planner struct {
	Store *store.Store
	Now   func() time.Time

	mu      sync.Mutex
	routing int32 // id of the parsed document
	config  *route.Config
	asked   time.Time
}

const (
	// settle lets a backlog that a gateway forwards run in before people are
	// told of something that was over long ago; an alarm older than backlogAge
	// when it is found came with one.
	settle     = 2 * time.Minute
	backlogAge = time.Hour
	// crowdAfter is how long a message to the company waits for what joins houses
	// with one cause, which looks about once a second.
	crowdAfter = 1500 * time.Millisecond
	// returnAfter keeps "all is normal again" from overtaking what it ends.
	returnAfter = 5 * time.Second
	returnFor   = 4 * 24 * time.Hour
	eventFor    = 3 * 24 * time.Hour
)

// InEvaluation is for store.Options.InEvaluation.
func (p *Planner) InEvaluation(ctx context.Context, tx pgx.Tx, changes []store.AlarmChange) error {
	s, err := p.load(ctx, tx, changes)
	if err != nil {
		return err
	}
	for i := range changes {
		s.change(&changes[i])
	}
	_, err = p.Store.InsertNotices(ctx, tx, s.now, s.out)
	return err
}

// session is what planning the deliveries of one transaction needs.
type session struct {
	p        *Planner
	now      time.Time
	config   *route.Config
	people   []store.Addressee
	standing map[store.CallOutKey]*store.CallOutStanding
	held     map[store.Held]bool
	webhooks []int32
	nums     map[string]int32
	zones    map[string]*time.Location
	out      []store.NewNotice
}

func (p *Planner) load(ctx context.Context, tx pgx.Tx, changes []store.AlarmChange) (*session, error) {
	s := &session{p: p, now: p.Now(), nums: map[string]int32{}, zones: map[string]*time.Location{}}
	var nums []int32
	var keys []store.CallOutKey
	for i := range changes {
		a := &changes[i].Alarm
		if _, seen := s.nums[a.Property]; !seen {
			num, zone := p.place(a.Property)
			s.nums[a.Property], s.zones[a.Property] = num, zone
			nums = append(nums, num)
		}
		if k := (store.CallOutKey{Property: s.nums[a.Property], CallOut: a.CallOut}); a.CallOut != "" && !slices.Contains(keys, k) {
			keys = append(keys, k)
		}
	}
	var err error
	if s.config, err = p.Config(ctx, tx); err != nil {
		return nil, err
	}
	if s.people, err = p.Store.Addressees(ctx, tx, nums); err != nil {
		return nil, err
	}
	if s.standing, err = p.Store.Standing(ctx, tx, keys); err != nil {
		return nil, err
	}
	if s.held, err = p.Store.HeldAt(ctx, tx, nums, s.now); err != nil {
		return nil, err
	}
	s.webhooks, err = p.Store.WebhookIDs(ctx, tx)
	return s, err
}

// place finds a property's number and zone.
func (p *Planner) place(id string) (int32, *time.Location) {
	reg, ok := p.Store.Registry().Property(id)
	if !ok {
		return 0, time.UTC
	}
	return reg.Num, zoneOf(reg)
}

func zoneOf(reg *store.Registered) *time.Location {
	if desc, err := reg.Current(); err == nil {
		if zone, err := time.LoadLocation(desc.Timezone); err == nil {
			return zone
		}
	}
	return time.UTC
}

// Config is the routing in force, parsed once for each document. A document
// that a later release wrote and this one cannot read is an error: telling
// people by other rules than the company's would be worse than trying again.
func (p *Planner) Config(ctx context.Context, tx pgx.Tx) (*route.Config, error) {
	r, err := p.Store.RoutingTx(ctx, tx)
	if err != nil {
		return nil, err
	}
	return p.parsed(r)
}

func (p *Planner) parsed(r store.Routing) (c *route.Config, err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.asked = time.Now()
	if p.config != nil && p.routing == r.ID {
		return p.config, nil
	}
	c = route.Default()
	if r.ID != 0 {
		if c, err = route.Parse([]byte(r.Document)); err != nil {
			return nil, fmt.Errorf("routing %d: %w", r.ID, err)
		}
	}
	p.config, p.routing = c, r.ID
	return c, nil
}

func (s *session) change(c *store.AlarmChange) {
	a := &c.Alarm
	num := s.nums[a.Property]
	if num == 0 || a.CallOut == "" || s.held[store.Held{Property: num, Condition: a.Condition, Point: a.Point}] {
		return
	}
	st := s.standing[store.CallOutKey{Property: num, CallOut: a.CallOut}]
	switch c.Kind {
	case alerting.Raised, alerting.Escalated:
		s.raise(num, a, st)
	case alerting.Cleared:
		if st.Open == 0 {
			s.after(num, a.CallOut, st, store.ToldReturn, 0)
		}
	case alerting.Withdrawn:
		_, no, _ := store.ParseAlarmID(c.ID)
		s.after(num, a.CallOut, st, store.ToldCorrection, int16(min(no, 1<<15-1)))
	default:
		return
	}
	s.events(num, c)
}

// raise tells the people of an alarm, each whom nobody has told of one as
// urgent in this call-out.
func (s *session) raise(num int32, a *alerting.Alarm, st *store.CallOutStanding) {
	event := route.Event{Property: a.Property, Zone: s.zones[a.Property], Condition: a.Condition, Priority: a.Priority, At: s.now}
	round := roundOf(st)
	for _, t := range s.config.Plan(event, s.concerned(num)) {
		if toldAlready(st, round, int16(a.Priority), t) {
			continue
		}
		n := store.NewNotice{Property: num, Subject: a.CallOut, Round: round, Purpose: store.ToldAlarm, Level: int16(a.Priority), Step: int16(t.Step),
			Channel: store.Channel(t.Channel), Recipient: t.Recipient, Person: t.Person, Audience: t.Audience,
			DueAt: t.At, ExpiresAt: t.At.Add(route.Expiry(a.Priority))}
		if t.Digest {
			n.Content = content{Digest: true}
		}
		if t.Audience != "owner" && t.Step == 0 && a.Priority < alerting.Urgent && !t.At.After(s.now) {
			n.DueAt = s.now.Add(crowdAfter)
		}
		if s.now.Sub(a.RaisedAt) > backlogAge && n.DueAt.Before(s.now.Add(settle)) {
			n.DueAt = s.now.Add(settle)
		}
		s.out = append(s.out, n)
		st.Told = append(st.Told, store.ToldBefore{Round: round, Purpose: n.Purpose, Level: n.Level, Step: n.Step, Channel: n.Channel,
			Recipient: n.Recipient, Person: n.Person, Audience: n.Audience, State: store.NoticeWaiting})
	}
}

// content is what a delivery carries that cannot be looked up when it is sent.
type content struct {
	Digest bool `json:"digest,omitempty"`
}

// roundOf counts how often all was normal again and people were told so.
func roundOf(st *store.CallOutStanding) int16 {
	round := int16(0)
	for _, t := range st.Told {
		if t.Purpose == store.ToldReturn {
			round = max(round, t.Round+1)
		}
	}
	return round
}

func toldAlready(st *store.CallOutStanding, round, level int16, t route.Told) bool {
	return slices.ContainsFunc(st.Told, func(b store.ToldBefore) bool {
		return b.Purpose == store.ToldAlarm && b.Round == round && b.Level >= level && b.Step == int16(t.Step) &&
			b.Channel == store.Channel(t.Channel) && b.Recipient == t.Recipient
	})
}

func (s *session) concerned(num int32) []route.Person {
	var out []route.Person
	for i := range s.people {
		if a := &s.people[i]; a.Concerns(num) {
			out = append(out, route.Person{ID: a.ID, Role: route.Role(a.Role), Email: a.Email, Phone: a.Phone})
		}
	}
	return out
}

// after tells those who were told of the call-out how it ended.
func (s *session) after(num int32, callOut string, st *store.CallOutStanding, why store.Purpose, step int16) {
	round := roundOf(st)
	var told []store.ToldBefore
	for _, t := range st.Told {
		same := func(x store.ToldBefore) bool { return x.Channel == t.Channel && x.Recipient == t.Recipient }
		if t.Purpose == store.ToldAlarm && t.Round == round && !slices.ContainsFunc(told, same) {
			told = append(told, t)
		}
	}
	for _, t := range told {
		s.out = append(s.out, store.NewNotice{Property: num, Subject: callOut, Round: round, Purpose: why, Step: step, Channel: t.Channel,
			Recipient: t.Recipient, Person: t.Person, Audience: t.Audience, DueAt: s.now.Add(returnAfter), ExpiresAt: s.now.Add(returnFor)})
	}
}

// events tell webhooks of every change that people may be told of.
func (s *session) events(num int32, c *store.AlarmChange) {
	for _, id := range s.webhooks {
		s.out = append(s.out, store.NewNotice{Property: num, Subject: c.ID, Purpose: store.ToldEvent, Level: int16(c.Alarm.Priority), Step: int16(c.Kind),
			Channel: store.ByWebhook, Recipient: strconv.Itoa(int(id)), DueAt: s.now, ExpiresAt: s.now.Add(eventFor),
			Content: eventOf(c, s.now)})
	}
}

// Event is what a webhook is sent.
type Event struct {
	Type      string         `json:"type"` // alarm.raised, alarm.escalated, alarm.cleared, alarm.withdrawn
	Timestamp string         `json:"timestamp"`
	Data      map[string]any `json:"data"`
}

func eventOf(c *store.AlarmChange, now time.Time) Event {
	return Event{Type: "alarm." + c.Kind.String(), Timestamp: now.UTC().Format(time.RFC3339), Data: map[string]any{"id": c.ID, "alarm": c.Alarm}}
}

// Untold tells of alarms whose shelving ran out while they hold.
func (p *Planner) Untold(ctx context.Context) error {
	return p.Store.InTx(ctx, func(tx pgx.Tx) error {
		changes, err := p.Store.Untold(ctx, tx, p.Now())
		if err != nil || len(changes) == 0 {
			return err
		}
		return p.InEvaluation(ctx, tx, changes)
	})
}

// routingFor is how long Current trusts what it knows: a message needs the
// company's name and number from it, whom it goes to is settled already.
const routingFor = time.Second

// Current is the routing in force, outside of a transaction.
func (p *Planner) Current(ctx context.Context) (c *route.Config, err error) {
	p.mu.Lock()
	fresh := p.config != nil && time.Since(p.asked) < routingFor
	c = p.config
	p.mu.Unlock()
	if fresh {
		return c, nil
	}
	r, err := p.Store.Routing(ctx)
	if err != nil {
		return nil, err
	}
	return p.parsed(r)
}
