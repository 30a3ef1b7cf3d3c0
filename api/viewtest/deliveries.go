package viewtest

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"underkeep/alerting/notify/route"
	"underkeep/api/view"
)

// addDeliveries tells of heron-07's alarm: its owner by mail, and the manager,
// whose address is misspelt.
func (f *Fleet) addDeliveries() {
	at := Now.Add(-time.Hour)
	f.Told = []view.Delivery{
		{ID: "2", Property: "heron-07", Subject: "heron-07.c1", Purpose: "alarm", Priority: "high", Channel: "mail", Recipient: "dana@skerry.example",
			Person: "Dana Brook", State: "dead", CreatedAt: at, DueAt: at, ExpiresAt: at.Add(72 * time.Hour), DoneAt: at.Add(time.Second), Attempts: 1,
			Outcome: "550 no such mailbox", Tries: []view.DeliveryTry{{BegunAt: at, EndedAt: at.Add(time.Second), Outcome: "refused", Detail: "550 no such mailbox"}}},
		{ID: "1", Property: "heron-07", Subject: "heron-07.c1", Purpose: "alarm", Priority: "high", Channel: "mail", Recipient: "owner@example.org",
			Person: "R. Okafor", State: "sent", CreatedAt: at, DueAt: at, ExpiresAt: at.Add(72 * time.Hour), DoneAt: at.Add(2 * time.Second), Attempts: 1,
			Tries: []view.DeliveryTry{{BegunAt: at, EndedAt: at.Add(2 * time.Second), Outcome: "sent", Detail: "250 queued"}}},
	}
}

// Deliveries implements view.Deliveries over Fleet.Told.
func (f *Fleet) Deliveries(_ context.Context, scope view.Scope, q view.DeliveryQuery) ([]view.Delivery, string, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	var out []view.Delivery
	skip := q.After != ""
	for _, d := range f.Told {
		if skip {
			skip = d.ID != q.After
			continue
		}
		if !scope.Allows(d.Property) && !(scope.All && d.Property == "") || q.Property != "" && d.Property != q.Property ||
			len(q.States) > 0 && !slices.Contains(q.States, d.State) {
			continue
		}
		if len(out) == q.Limit {
			return out, out[len(out)-1].ID, f.Down
		}
		d.Tries = nil
		out = append(out, d)
	}
	if skip {
		return nil, "", view.ErrInvalid
	}
	return out, "", f.Down
}

func (f *Fleet) told(scope view.Scope, id string) (*view.Delivery, error) {
	for i := range f.Told {
		if f.Told[i].ID == id && scope.Allows(f.Told[i].Property) {
			return &f.Told[i], f.Down
		}
	}
	return nil, cmp.Or(f.Down, view.ErrNotFound)
}

// Delivery implements view.Deliveries.
func (f *Fleet) Delivery(_ context.Context, scope view.Scope, id string) (view.Delivery, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	d, err := f.told(scope, id)
	if err != nil {
		return view.Delivery{}, err
	}
	return *d, nil
}

// RetryDelivery implements view.Deliveries.
func (f *Fleet) RetryDelivery(_ context.Context, scope view.Scope, id string) (view.Delivery, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	d, err := f.told(scope, id)
	switch {
	case err != nil:
		return view.Delivery{}, err
	case d.State != "dead":
		return view.Delivery{}, view.ErrConflict
	}
	d.State, d.DoneAt = "waiting", time.Time{}
	return *d, nil
}

// Channels implements view.Deliveries.
func (f *Fleet) Channels(context.Context) ([]view.ChannelState, error) {
	return []view.ChannelState{{Channel: "mail", SentAt: Now.Add(-time.Hour)}, {Channel: "text"}, {Channel: "webhook"}}, f.Down
}

// Routing implements view.Deliveries.
func (f *Fleet) Routing(context.Context) (view.Routing, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.Rules.Document == "" {
		return view.Routing{Document: string(route.DefaultDocument())}, f.Down
	}
	return f.Rules, f.Down
}

// SetRouting implements view.Deliveries.
func (f *Fleet) SetRouting(_ context.Context, document []byte, by string) (view.Routing, error) {
	if _, err := route.Parse(document); err != nil {
		return view.Routing{}, fmt.Errorf("%w: %w", view.ErrInvalid, err)
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.Rules = view.Routing{Document: string(document), SetAt: Now, SetBy: by}
	return f.Rules, f.Down
}

// Linked implements view.Deliveries.
func (f *Fleet) Linked(_ context.Context, _ int32, delivery int64) (view.Linked, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	d, err := f.told(view.Scope{All: true}, fmt.Sprint(delivery))
	if err != nil {
		return view.Linked{}, err
	}
	out := view.Linked{Recipient: d.Recipient, Property: d.Property, UsedAt: d.SeenAt, Language: f.LinkedLanguage,
		Stopped: slices.Contains(f.Stopped, strings.ToLower(d.Recipient))}
	for _, a := range f.AllAlarms {
		if a.Property == d.Property && !a.Over() {
			out.Alarms = append(out.Alarms, a)
		}
	}
	return out, nil
}

// AcknowledgeLinked implements view.Deliveries.
func (f *Fleet) AcknowledgeLinked(_ context.Context, _ int32, delivery int64) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	d, err := f.told(view.Scope{All: true}, fmt.Sprint(delivery))
	switch {
	case err != nil:
		return err
	case !d.SeenAt.IsZero():
		return view.ErrConflict
	}
	d.SeenAt = Now
	return nil
}

// StopLinked implements view.Deliveries.
func (f *Fleet) StopLinked(_ context.Context, _ int32, delivery int64) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	d, err := f.told(view.Scope{All: true}, fmt.Sprint(delivery))
	if err != nil {
		return err
	}
	f.Stopped = append(f.Stopped, strings.ToLower(d.Recipient))
	return nil
}

// ResumeLinked implements view.Deliveries.
func (f *Fleet) ResumeLinked(_ context.Context, _ int32, delivery int64) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	d, err := f.told(view.Scope{All: true}, fmt.Sprint(delivery))
	if err != nil {
		return err
	}
	f.Stopped = slices.DeleteFunc(f.Stopped, func(a string) bool { return a == strings.ToLower(d.Recipient) })
	return nil
}

// StoppedAddresses implements view.Deliveries.
func (f *Fleet) StoppedAddresses(context.Context) ([]view.StoppedAddress, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	var out []view.StoppedAddress
	for _, a := range f.Stopped {
		out = append(out, view.StoppedAddress{Address: a, At: Now.Add(-time.Hour), How: "by the link in delivery 1"})
	}
	return out, f.Down
}

// ResumeAddress implements view.Deliveries.
func (f *Fleet) ResumeAddress(_ context.Context, address, _ string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	before := len(f.Stopped)
	f.Stopped = slices.DeleteFunc(f.Stopped, func(a string) bool { return a == strings.ToLower(address) })
	if len(f.Stopped) == before {
		return cmp.Or(f.Down, view.ErrNotFound)
	}
	return f.Down
}

// SendTest implements view.Deliveries.
func (f *Fleet) SendTest(ctx context.Context, person, channel, _ string) (view.Delivery, error) {
	p, err := f.FindPerson(ctx, person)
	if err != nil {
		return view.Delivery{}, err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	to := map[string]string{"mail": p.Email, "text": p.Phone}[channel]
	if to == "" {
		return view.Delivery{}, fmt.Errorf("%w: %s cannot be reached by %s", view.ErrInvalid, p.Name, channel)
	}
	d := view.Delivery{ID: fmt.Sprint(len(f.Told) + 1), Subject: "test:" + Now.Format(time.RFC3339), Purpose: "test", Channel: channel, Recipient: to,
		Person: p.Name, State: "waiting", CreatedAt: Now, DueAt: Now, ExpiresAt: Now.Add(time.Hour)}
	f.Told = append([]view.Delivery{d}, f.Told...)
	return d, f.Down
}
