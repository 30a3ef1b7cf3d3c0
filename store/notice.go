package store

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/riverqueue/river"
)

// Purpose is why somebody is written to.
type Purpose string

// The purposes of a delivery.
const (
	ToldAlarm      Purpose = "alarm"      // an alarm, its rise, or its escalation to the next people
	ToldReturn     Purpose = "return"     // everything of the call-out is normal again
	ToldCorrection Purpose = "correction" // late data withdrew what was told
	ToldGathered   Purpose = "gathered"   // many alarms in one message
	ToldDigest     Purpose = "digest"     // the day's lesser alarms
	ToldSummary    Purpose = "summary"    // an owner's month
	ToldWeekly     Purpose = "weekly"     // a manager's week
	ToldSignIn     Purpose = "sign-in"    // a link to sign in
	ToldChannel    Purpose = "channel"    // another channel does not work
	ToldTest       Purpose = "test"
	ToldEvent      Purpose = "event" // a change of an alarm, for a webhook
)

// Channel is a way to reach somebody; also the name of its job queue.
type Channel string

// The channels.
const (
	ByMail    Channel = "mail"
	ByText    Channel = "text"
	ByWebhook Channel = "webhook"
)

// Channels lists them.
func Channels() []Channel { return []Channel{ByMail, ByText, ByWebhook} }

// NoticeState is how far a delivery has come.
type NoticeState string

// The states of a delivery. Sending is a claim: whoever holds it may be talking
// to the mail server right now.
const (
	NoticeWaiting  NoticeState = "waiting"
	NoticeSending  NoticeState = "sending"
	NoticeSent     NoticeState = "sent"
	NoticeGathered NoticeState = "gathered" // told in another message among others
	NoticeMoot     NoticeState = "moot"     // need not be told any more
	NoticeDead     NoticeState = "dead"     // given up; somebody should look
)

// NoticeStates lists them.
func NoticeStates() []NoticeState {
	return []NoticeState{NoticeWaiting, NoticeSending, NoticeSent, NoticeGathered, NoticeMoot, NoticeDead}
}

// NewNotice asks for one delivery to one recipient.
type NewNotice struct {
	Property  int32 // number; 0: of no single property
	Subject   string
	Round     int16
	Purpose   Purpose
	Level     int16 // alarm priority; 0 none
	Step      int16 // of the escalation
	Channel   Channel
	Recipient string
	Person    int32  // 0: nobody known
	Audience  string // owner | company
	Content   any    // marshalled as JSON; nil for {}
	DueAt     time.Time
	ExpiresAt time.Time
}

// NoticeJob is the job that carries one delivery.
type NoticeJob struct {
	Property int32 `json:"property"`
	Delivery int64 `json:"delivery"`
}

// Kind names the job in the queue.
func (NoticeJob) Kind() string { return "delivery" }

// noticeAttempts bounds how often the queue hands a job out after crashes; when
// and how often a delivery is tried is the worker's business.
const noticeAttempts = 1000

func (j NoticeJob) params(c Channel, why Purpose, due time.Time) river.InsertManyParams {
	return river.InsertManyParams{Args: j, InsertOpts: &river.InsertOpts{Queue: string(c), Priority: why.urgency(), MaxAttempts: noticeAttempts, ScheduledAt: due}}
}

// urgency is the priority of the job, 1 to 4: an alarm does not wait behind the
// first of the month's thousand summaries.
func (p Purpose) urgency() int {
	switch p {
	case ToldAlarm, ToldSignIn, ToldChannel, ToldTest:
		return 1
	case ToldReturn, ToldCorrection, ToldGathered, ToldEvent:
		return 2
	case ToldDigest:
		return 3
	}
	return 4
}

const insertNoticesSQL = `INSERT INTO delivery
	(property_id, subject, round, purpose, level, step, channel, recipient, person_id, audience, content, created_at, due_at, expires_at)
	SELECT n.property_id, n.subject, n.round, n.purpose, n.level, n.step, n.channel, n.recipient, nullif(n.person_id, 0), n.audience, n.content, $12, n.due_at, n.expires_at
	FROM unnest($1::int4[], $2::text[], $3::int2[], $4::text[], $5::int2[], $6::int2[], $7::text[], $8::text[], $9::int4[], $10::text[], $11::jsonb[],
		$13::timestamptz[], $14::timestamptz[])
		AS n(property_id, subject, round, purpose, level, step, channel, recipient, person_id, audience, content, due_at, expires_at)
	ORDER BY n.property_id, n.subject, n.channel, n.recipient
	ON CONFLICT ON CONSTRAINT delivery_once DO NOTHING
	RETURNING property_id, delivery_id, channel, purpose, due_at`

// InsertNotices puts deliveries and the jobs that carry them into tx. What was
// enqueued before under the same key is left out; told is how many are new.
func (s *Store) InsertNotices(ctx context.Context, tx pgx.Tx, now time.Time, list []NewNotice) (told int, err error) {
	if len(list) == 0 {
		return 0, nil
	}
	cols, err := noticeColumns(list, now)
	if err != nil {
		return 0, err
	}
	rows, err := tx.Query(ctx, insertNoticesSQL, cols...)
	if err != nil {
		return 0, fmt.Errorf("enqueue %d deliveries: %w", len(list), err)
	}
	var j NoticeJob
	var c Channel
	var why Purpose
	var due time.Time
	var jobs []river.InsertManyParams
	if _, err := pgx.ForEachRow(rows, []any{&j.Property, &j.Delivery, &c, &why, &due}, func() error {
		jobs = append(jobs, j.params(c, why, jobTime(due, now)))
		return nil
	}); err != nil {
		return 0, fmt.Errorf("enqueue %d deliveries: %w", len(list), err)
	}
	return len(jobs), s.InsertJobs(ctx, tx, jobs...)
}

// jobTime is zero, and the job at hand at once, for what is due already.
func jobTime(due, now time.Time) time.Time {
	if due.After(now) {
		return due
	}
	return time.Time{}
}

func noticeColumns(list []NewNotice, now time.Time) ([]any, error) {
	n := len(list)
	property, person := make([]int32, n), make([]int32, n)
	round, level, step := make([]int16, n), make([]int16, n), make([]int16, n)
	subject, purpose, channel, recipient, audience := make([]string, n), make([]string, n), make([]string, n), make([]string, n), make([]string, n)
	content, due, expires := make([]string, n), make([]time.Time, n), make([]time.Time, n)
	for i, x := range list {
		property[i], person[i], round[i], level[i], step[i] = x.Property, x.Person, x.Round, x.Level, x.Step
		subject[i], purpose[i], channel[i], recipient[i] = x.Subject, string(x.Purpose), string(x.Channel), x.Recipient
		audience[i], content[i], due[i], expires[i] = x.Audience, "{}", x.DueAt, x.ExpiresAt
		if audience[i] == "" {
			audience[i] = "company"
		}
		if x.Content != nil {
			b, err := json.Marshal(x.Content)
			if err != nil {
				return nil, fmt.Errorf("content of a delivery to %s: %w", x.Recipient, err)
			}
			content[i] = string(b)
		}
	}
	return []any{property, subject, round, purpose, level, step, channel, recipient, person, audience, content, now, due, expires}, nil
}

// EnqueueNotices is InsertNotices in a transaction of its own.
func (s *Store) EnqueueNotices(ctx context.Context, now time.Time, list ...NewNotice) (told int, err error) {
	err = retrying(ctx, func() error {
		return withTx(ctx, s.api, pgx.TxOptions{}, func(tx pgx.Tx) error {
			told, err = s.InsertNotices(ctx, tx, now, list)
			return err
		})
	})
	return told, err
}
