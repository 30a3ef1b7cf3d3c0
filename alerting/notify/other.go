package notify

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"time"

	"underkeep/alerting"
	"underkeep/alerting/notify/route"
	"underkeep/alerting/notify/words"
	"underkeep/store"
	"underkeep/store/site/units"
)

// other makes the messages that are about no single call-out. empty says why
// there is nothing to tell after all.
func (d *Deliverer) other(ctx context.Context, n *store.Notice, c *route.Config) (m message, empty string, err error) {
	zone, own := d.home(n)
	r := d.reader(n, c, zone, own)
	switch n.Purpose {
	case store.ToldGathered, store.ToldDigest:
		return d.list(ctx, n, r)
	case store.ToldSummary:
		return d.summary(ctx, n, r)
	case store.ToldWeekly:
		return d.weekly(ctx, n, r)
	case store.ToldSignIn:
		var link SignInLink
		if err := json.Unmarshal(n.Content, &link); err != nil || link.URL == "" {
			return m, "the link has been taken out", nil
		}
		r.StopURL = ""
		if link.InvitedBy != "" {
			return message{mail: r.Invite(link.InvitedBy, link.URL, time.Duration(link.Minutes)*time.Minute)}, "", nil
		}
		return message{mail: r.SignIn(link.URL, time.Duration(link.Minutes)*time.Minute)}, "", nil
	case store.ToldChannel:
		return d.sick(n, r)
	}
	mail := r.Test()
	return message{mail: mail, text: mail.Subject + ". " + r.NoLifeSafety()}, "", nil
}

// home is the zone and the units of a delivery's property; of the first
// registered where it is of none.
func (d *Deliverer) home(n *store.Notice) (*time.Location, units.System) {
	reg, ok := d.Store.Registry().Property(n.PropertyID)
	if !ok {
		d.Store.Registry().Each(func(r *store.Registered) bool {
			if !ok || r.Num < reg.Num {
				reg, ok = r, true
			}
			return true
		})
	}
	if !ok {
		return time.UTC, units.US
	}
	desc, err := reg.Current()
	if err != nil {
		return time.UTC, units.US
	}
	return zoneOf(reg), desc.Units
}

// list is a message about several houses.
func (d *Deliverer) list(ctx context.Context, n *store.Notice, r words.Reader) (m message, empty string, err error) {
	lines, err := d.Store.Gathered(ctx, n, n.Purpose == store.ToldDigest)
	if err != nil {
		return m, "", err
	}
	l := words.List{Reader: r, Digest: n.Purpose == store.ToldDigest, PageURL: d.Links.Today()}
	for i := range lines {
		h, ok, err := d.house(ctx, &lines[i])
		if err != nil {
			return m, "", err
		}
		if ok {
			l.Houses = append(l.Houses, h)
		}
	}
	if len(l.Houses) == 0 {
		return m, "nothing gathered holds any more", nil
	}
	return message{mail: l.Mail(), text: l.Text()}, "", nil
}

// house is the line about one gathered delivery, as it stands now.
func (d *Deliverer) house(ctx context.Context, line *store.Notice) (h words.House, ok bool, err error) {
	alarms, err := d.Store.CallOutAlarms(ctx, line.Property, line.Subject, d.Now())
	if err != nil {
		return h, false, err
	}
	var first *store.AlarmRecord
	for i := range alarms {
		a := &alarms[i]
		if a.WithdrawnAt.IsZero() && a.ClearedAt.IsZero() && (first == nil || a.Priority > first.Priority) {
			first = a
		}
	}
	if first == nil {
		return h, false, nil
	}
	zone, _ := d.home(line)
	h = words.House{Property: d.name(line.PropertyID), Condition: first.Condition, Point: first.Point, Priority: first.Priority, RaisedAt: first.RaisedAt, Zone: zone}
	if event, _, err := d.Store.RegionalOfNotice(ctx, line); err == nil && event != 0 {
		h.Event = fmt.Sprint(event)
	}
	return h, true, nil
}

func (d *Deliverer) name(id string) string {
	if reg, ok := d.Store.Registry().Property(id); ok {
		if desc, err := reg.Current(); err == nil {
			return words.Line(cmp.Or(desc.Name, id))
		}
	}
	return id
}

// SickChannel is what a delivery about a channel carries.
type SickChannel struct {
	Channel string    `json:"channel"`
	Waiting int       `json:"waiting"`
	Since   time.Time `json:"since"`
	Error   string    `json:"error"`
}

func (d *Deliverer) sick(n *store.Notice, r words.Reader) (message, string, error) {
	var c SickChannel
	if err := json.Unmarshal(n.Content, &c); err != nil {
		return message{}, "", fmt.Errorf("content of delivery %d: %w", n.ID, err)
	}
	w := words.Sick{Reader: r, Channel: c.Channel, Waiting: c.Waiting, Since: c.Since, Error: c.Error}
	return message{mail: w.Mail(), text: w.Text()}, "", nil
}

// SignInLink is what a delivery with a link to sign in carries. It is in the
// outbox until it is sent or expires, then taken out.
type SignInLink struct {
	URL     string `json:"url"`
	Minutes int    `json:"minutes"`
	// InvitedBy is who asked the person to come; "" when they asked for the link.
	InvitedBy string `json:"invited_by,omitempty"`
}

// SendSignInLink enqueues the mail with a one-time link to sign in.
func (d *Deliverer) SendSignInLink(ctx context.Context, person store.Person, link string, within time.Duration) error {
	return d.SendInvitation(ctx, person, link, "", within)
}

// SendInvitation is SendSignInLink for somebody whom another person invites.
func (d *Deliverer) SendInvitation(ctx context.Context, person store.Person, link, by string, within time.Duration) error {
	now := d.Now()
	_, err := d.Store.EnqueueNotices(ctx, now, store.NewNotice{
		Subject: "sign-in:" + now.UTC().Format(time.RFC3339Nano), Purpose: store.ToldSignIn, Channel: store.ByMail, Recipient: person.Email, Person: person.ID,
		Content: SignInLink{URL: link, Minutes: int(within.Minutes()), InvitedBy: by}, DueAt: now, ExpiresAt: now.Add(within),
	})
	return err
}

// TestNotice asks for a message that shows that messages arrive.
func TestNotice(channel store.Channel, recipient string, person int32, now time.Time) store.NewNotice {
	return store.NewNotice{Subject: "test:" + now.UTC().Format(time.RFC3339Nano), Purpose: store.ToldTest, Channel: channel, Recipient: recipient, Person: person,
		DueAt: now, ExpiresAt: now.Add(time.Hour)}
}

// sickAfter is how long deliveries of a channel wait, tried and failed, before
// its failure is an alarm of its own.
const sickAfter = 10 * time.Minute

// Sweep does what no single delivery can: it gives jobs to deliveries that lost
// theirs, tells of alarms whose shelving ran out, and raises the alarm about a
// channel that does not work, over the others.
func (d *Deliverer) Sweep(ctx context.Context) error {
	now := d.Now()
	if n, err := d.Store.RequeueNotices(ctx, now, 3*time.Minute); err != nil {
		return err
	} else if n > 0 {
		d.Log.Warn("deliveries had lost their jobs", "number", n)
	}
	if err := d.Planner.Untold(ctx); err != nil {
		return err
	}
	health, err := d.Store.ChannelsHealth(ctx, now)
	if err != nil {
		return err
	}
	for _, h := range health {
		if h.Waiting == 0 || now.Sub(h.Since) < sickAfter || h.SentAt.After(h.Since.Add(sickAfter)) {
			continue
		}
		d.Log.Error("messages do not go out", "channel", h.Channel, "waiting", h.Waiting, "since", h.Since, "error", h.LastError)
		if err := d.tellSick(ctx, h, now); err != nil {
			return err
		}
	}
	return nil
}

func (d *Deliverer) tellSick(ctx context.Context, h store.ChannelHealth, now time.Time) error {
	people, err := d.Store.Managers(ctx)
	if err != nil {
		return err
	}
	c := SickChannel{string(h.Channel), h.Waiting, h.Since, h.LastError}
	var out []store.NewNotice
	base := store.NewNotice{Subject: "channel:" + string(h.Channel) + ":" + now.UTC().Format(time.DateOnly), Purpose: store.ToldChannel,
		Level: int16(alerting.High), Content: c, DueAt: now, ExpiresAt: now.Add(24 * time.Hour)}
	for _, p := range people {
		n := base
		n.Person = p.ID
		switch {
		case h.Channel != store.ByText && p.Phone != "" && d.Texts != nil:
			n.Channel, n.Recipient = store.ByText, p.Phone
		case h.Channel != store.ByMail && p.Email != "" && d.Mail != nil:
			n.Channel, n.Recipient = store.ByMail, p.Email
		default:
			continue
		}
		out = append(out, n)
	}
	if h.Channel != store.ByWebhook {
		hooks, err := d.Store.Webhooks(ctx)
		if err != nil {
			return err
		}
		for _, w := range hooks {
			if w.Disabled.IsZero() {
				n := base
				n.Channel, n.Recipient, n.Purpose = store.ByWebhook, fmt.Sprint(w.ID), store.ToldEvent
				n.Content = Event{Type: "channel.sick", Timestamp: now.UTC().Format(time.RFC3339), Data: map[string]any{"channel": h.Channel, "waiting": h.Waiting, "since": h.Since}}
				out = append(out, n)
			}
		}
	}
	_, err = d.Store.EnqueueNotices(ctx, now, out...)
	return err
}
