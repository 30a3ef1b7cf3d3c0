package api

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strconv"
	"time"

	"underkeep/alerting"
	"underkeep/alerting/notify"
	"underkeep/alerting/notify/route"
	"underkeep/api/view"
	"underkeep/store"
)

func viewNotice(n *store.Notice) view.Delivery {
	return view.Delivery{ID: strconv.FormatInt(n.ID, 10), Property: n.PropertyID, Subject: n.Subject, Purpose: string(n.Purpose),
		Priority: alerting.Priority(n.Level).String(), Step: int(n.Step), Channel: string(n.Channel), Recipient: n.Recipient, Person: n.Person.Name,
		State: string(n.State), CreatedAt: n.CreatedAt, DueAt: n.DueAt, ExpiresAt: n.ExpiresAt, DoneAt: n.DoneAt, Attempts: n.Attempts,
		Outcome: n.Outcome, SeenAt: n.LinkUsedAt}
}

// Deliveries implements view.Deliveries.
func (s *storeSource) Deliveries(ctx context.Context, scope view.Scope, q view.DeliveryQuery) ([]view.Delivery, string, error) {
	ask := store.NoticeQuery{Scope: storeScope(scope), Property: q.Property, Cursor: q.After, Limit: q.Limit}
	for _, st := range q.States {
		ask.States = append(ask.States, store.NoticeState(st))
	}
	page, next, err := s.store.Notices(ctx, ask)
	if err != nil {
		return nil, "", told(err)
	}
	out := make([]view.Delivery, 0, len(page))
	for i := range page {
		out = append(out, viewNotice(&page[i]))
	}
	return out, next, nil
}

// Delivery implements view.Deliveries.
func (s *storeSource) Delivery(ctx context.Context, scope view.Scope, id string) (view.Delivery, error) {
	no, err := strconv.ParseInt(id, 10, 64)
	if err != nil {
		return view.Delivery{}, view.ErrNotFound
	}
	n, tries, err := s.store.Notice(ctx, storeScope(scope), no)
	if err != nil {
		return view.Delivery{}, told(err)
	}
	out := viewNotice(&n)
	for _, t := range tries {
		out.Tries = append(out.Tries, view.DeliveryTry{BegunAt: t.BegunAt, EndedAt: t.EndedAt, Outcome: t.Outcome, Detail: t.Detail})
	}
	return out, nil
}

// RetryDelivery implements view.Deliveries.
func (s *storeSource) RetryDelivery(ctx context.Context, scope view.Scope, id string) (view.Delivery, error) {
	d, err := s.Delivery(ctx, scope, id)
	if err != nil {
		return d, err
	}
	no, err := strconv.ParseInt(d.ID, 10, 64)
	if err != nil {
		return d, view.ErrNotFound
	}
	now := s.now()
	if err := s.store.RetryNotice(ctx, no, now, now.Add(24*time.Hour)); err != nil {
		return d, told(err)
	}
	return s.Delivery(ctx, scope, id)
}

// sickAfter is how long deliveries wait before their channel counts as sick.
const sickAfter = 10 * time.Minute

// Channels implements view.Deliveries.
func (s *storeSource) Channels(ctx context.Context) ([]view.ChannelState, error) {
	now := s.now()
	list, err := s.store.ChannelsHealth(ctx, now) // of what the principal sees: what went wrong names addresses
	if err != nil {
		return nil, told(err)
	}
	var out []view.ChannelState
	for _, h := range list {
		out = append(out, view.ChannelState{Channel: string(h.Channel), Waiting: h.Waiting, Since: h.Since, SentAt: h.SentAt, LastError: h.LastError,
			Sick: h.Waiting > 0 && now.Sub(h.Since) > sickAfter && h.SentAt.Before(h.Since.Add(sickAfter))})
	}
	return out, nil
}

// Routing implements view.Deliveries.
func (s *storeSource) Routing(ctx context.Context) (view.Routing, error) {
	r, err := s.store.Routing(ctx)
	if err != nil {
		return view.Routing{}, told(err)
	}
	return view.Routing{Document: cmp.Or(r.Document, string(route.DefaultDocument())), SetAt: r.SetAt, SetBy: r.SetBy}, nil
}

// SetRouting implements view.Deliveries.
func (s *storeSource) SetRouting(ctx context.Context, document []byte, by string) (view.Routing, error) {
	if _, err := route.Parse(document); err != nil {
		return view.Routing{}, fmt.Errorf("%w: %w", view.ErrInvalid, err)
	}
	if err := s.store.SetRouting(ctx, string(document), by, s.now()); err != nil {
		return view.Routing{}, told(err)
	}
	return s.Routing(ctx)
}

// Linked implements view.Deliveries. Its own signature opens the one delivery.
func (s *storeSource) Linked(ctx context.Context, property int32, delivery int64) (view.Linked, error) {
	n, alarms, err := s.store.LinkedNotice(store.WithScope(ctx, store.AllProperties), property, delivery, s.now())
	if err != nil {
		return view.Linked{}, told(err)
	}
	out := view.Linked{Recipient: n.Recipient, Property: n.PropertyID, UsedAt: n.LinkUsedAt, Language: n.Person.Language, Stopped: n.Stopped}
	if reg, ok := s.store.Registry().Property(n.PropertyID); ok {
		if desc, err := reg.Current(); err == nil {
			out.Property = desc.Name
		}
	}
	for _, a := range alarms {
		out.Alarms = append(out.Alarms, viewAlarm(a))
	}
	return out, nil
}

// AcknowledgeLinked implements view.Deliveries.
func (s *storeSource) AcknowledgeLinked(ctx context.Context, property int32, delivery int64) error {
	ctx = store.WithScope(ctx, store.AllProperties)
	n, _, err := s.store.LinkedNotice(ctx, property, delivery, s.now())
	if err != nil {
		return told(err)
	}
	return told(s.store.AcknowledgeByLink(ctx, property, delivery, cmp.Or(n.Person.Name, n.Recipient), s.now()))
}

// StopLinked implements view.Deliveries.
func (s *storeSource) StopLinked(ctx context.Context, property int32, delivery int64) error {
	ctx = store.WithScope(ctx, store.AllProperties)
	n, _, err := s.store.LinkedNotice(ctx, property, delivery, s.now())
	if err != nil {
		return told(err)
	}
	return told(s.store.StopMail(ctx, n.Recipient, "by the link in delivery "+strconv.FormatInt(n.ID, 10), s.now()))
}

// ResumeLinked implements view.Deliveries.
func (s *storeSource) ResumeLinked(ctx context.Context, property int32, delivery int64) error {
	ctx = store.WithScope(ctx, store.AllProperties)
	n, _, err := s.store.LinkedNotice(ctx, property, delivery, s.now())
	if err != nil {
		return told(err)
	}
	_, err = s.store.ResumeMail(ctx, n.Recipient, cmp.Or(n.Person.Name, n.Recipient)+", by the link in delivery "+strconv.FormatInt(n.ID, 10))
	return told(err)
}

// StoppedAddresses implements view.Deliveries.
func (s *storeSource) StoppedAddresses(ctx context.Context) ([]view.StoppedAddress, error) {
	list, err := s.store.StoppedMail(ctx)
	if err != nil {
		return nil, told(err)
	}
	var out []view.StoppedAddress
	for _, x := range list {
		out = append(out, view.StoppedAddress(x))
	}
	return out, nil
}

// ResumeAddress implements view.Deliveries.
func (s *storeSource) ResumeAddress(ctx context.Context, address, by string) error {
	resumed, err := s.store.ResumeMail(ctx, address, by)
	if err == nil && !resumed {
		return view.ErrNotFound
	}
	return told(err)
}

// SendTest implements view.Deliveries.
func (s *storeSource) SendTest(ctx context.Context, person, channel, by string) (view.Delivery, error) {
	p, err := s.FindPerson(ctx, person)
	if err != nil {
		return view.Delivery{}, err
	}
	to := map[string]string{string(store.ByMail): p.Email, string(store.ByText): p.Phone}[channel]
	if to == "" || !p.Disabled.IsZero() {
		return view.Delivery{}, fmt.Errorf("%w: %s cannot be reached by %s", view.ErrInvalid, p.Name, channel)
	}
	num, err := strconv.ParseInt(p.ID, 10, 32)
	if err != nil {
		return view.Delivery{}, view.ErrNotFound
	}
	ctx = store.WithScope(ctx, store.AllProperties) // it is of no property
	n := notify.TestNotice(store.Channel(channel), to, int32(num), s.now())
	if _, err := s.store.EnqueueNotices(ctx, s.now(), n); err != nil {
		return view.Delivery{}, told(err)
	}
	if err := s.Note(ctx, view.AuditEntry{Actor: by, Action: "test-message", Object: "person " + p.ID, Detail: channel}); err != nil {
		return view.Delivery{}, err
	}
	page, _, err := s.store.Notices(ctx, store.NoticeQuery{Scope: store.AllProperties, Subject: n.Subject, Limit: 1})
	if err != nil || len(page) == 0 {
		return view.Delivery{}, told(errors.Join(err, store.ErrNotFound))
	}
	return viewNotice(&page[0]), nil
}
