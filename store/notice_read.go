package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
)

// NoticeQuery asks for a page of deliveries, newest first.
type NoticeQuery struct {
	Scope    Scope
	Property string // "" any; with a limited scope those of no single property are left out
	States   []NoticeState
	Purpose  Purpose // "" any
	Subject  string  // "" any
	Cursor   string
	Limit    int
}

type noticeKey struct {
	At time.Time `json:"t"`
	ID int64     `json:"i"`
}

// Notices lists a page of deliveries; next is "" at the end.
func (s *Store) Notices(ctx context.Context, q NoticeQuery) (page []Notice, next string, err error) {
	var after noticeKey
	more, err := decodeCursor(q.Cursor, &after)
	if err != nil {
		return nil, "", err
	}
	all, names := q.Scope.args()
	states := make([]string, len(q.States))
	for i, x := range q.States {
		states[i] = string(x)
	}
	limit := pageSize(q.Limit)
	rows, err := s.api.Query(ctx, `SELECT `+noticeColumnsSQL+noticeFromSQL+`
		WHERE ($1 OR p.name = ANY($2)) AND ($3 = '' OR p.name = $3) AND (cardinality($4::text[]) = 0 OR d.state = ANY($4)) AND ($5 = '' OR d.purpose = $5) AND ($10 = '' OR d.subject = $10)
			AND (NOT $6 OR (d.created_at, d.delivery_id) < ($7, $8))
		ORDER BY d.created_at DESC, d.delivery_id DESC LIMIT $9`,
		all, names, q.Property, states, string(q.Purpose), more, after.At, after.ID, limit+1, q.Subject)
	if err != nil {
		return nil, "", fmt.Errorf("list deliveries: %w", err)
	}
	page, err = pgx.CollectRows(rows, func(r pgx.CollectableRow) (Notice, error) { return scanNotice(r) })
	if err != nil {
		return nil, "", fmt.Errorf("list deliveries: %w", err)
	}
	if len(page) > limit {
		page = page[:limit]
		next = encodeCursor(noticeKey{page[limit-1].CreatedAt, page[limit-1].ID})
	}
	return page, next, nil
}

// NoticeAttempt is one attempt at a delivery.
type NoticeAttempt struct {
	Attempt int
	BegunAt time.Time
	EndedAt time.Time // zero: nobody noted its end
	Outcome string    // unknown | sent | later | refused
	Detail  string
}

// Notice is one delivery with its attempts, oldest first; ErrNotFound when it
// does not exist or is out of scope.
func (s *Store) Notice(ctx context.Context, scope Scope, id int64) (Notice, []NoticeAttempt, error) {
	all, names := scope.args()
	n, err := scanNotice(s.api.QueryRow(ctx, `SELECT `+noticeColumnsSQL+noticeFromSQL+`
		WHERE d.delivery_id = $1 AND ($2 OR p.name = ANY($3))`, id, all, names))
	if isNoRows(err) {
		return Notice{}, nil, notFound("delivery %d", id)
	}
	if err != nil {
		return Notice{}, nil, fmt.Errorf("delivery %d: %w", id, err)
	}
	rows, err := s.api.Query(ctx, `SELECT attempt, begun_at, ended_at, outcome, detail FROM delivery_attempt
		WHERE property_id = $1 AND delivery_id = $2 ORDER BY attempt`, n.Property, n.ID)
	if err != nil {
		return Notice{}, nil, fmt.Errorf("attempts at delivery %d: %w", id, err)
	}
	attempts, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (a NoticeAttempt, err error) {
		var ended *time.Time
		err = r.Scan(&a.Attempt, &a.BegunAt, &ended, &a.Outcome, &a.Detail)
		a.BegunAt, a.EndedAt = a.BegunAt.UTC(), instant(ended)
		return a, err
	})
	if err != nil {
		return Notice{}, nil, fmt.Errorf("attempts at delivery %d: %w", id, err)
	}
	return n, attempts, nil
}

// RetryNotice takes up a dead delivery again.
func (s *Store) RetryNotice(ctx context.Context, id int64, now, expires time.Time) error {
	err := withTx(ctx, s.api, pgx.TxOptions{}, func(tx pgx.Tx) error {
		var j NoticeJob
		var c Channel
		var why Purpose
		err := tx.QueryRow(ctx, `UPDATE delivery SET state = 'waiting', done_at = NULL, due_at = $2, expires_at = greatest(expires_at, $3), outcome = 'taken up again by hand'
			WHERE delivery_id = $1 AND state = 'dead' RETURNING property_id, delivery_id, channel, purpose`, id, now, expires).Scan(&j.Property, &j.Delivery, &c, &why)
		if isNoRows(err) {
			return conflict("it is not dead")
		}
		if err != nil {
			return err
		}
		return s.InsertJobs(ctx, tx, j.params(c, why, time.Time{}))
	})
	if err != nil {
		return fmt.Errorf("take up delivery %d: %w", id, err)
	}
	return nil
}

// CountNotices counts deliveries by channel and state, the finished ones of the
// last day only.
func (s *Store) CountNotices(ctx context.Context, now time.Time) (map[Channel]map[NoticeState]int, error) {
	rows, err := s.api.Query(ctx, `SELECT channel, state, count(*) FROM delivery
		WHERE done_at IS NULL OR done_at > $1 OR state = 'dead' GROUP BY 1, 2`, now.Add(-24*time.Hour))
	if err != nil {
		return nil, fmt.Errorf("count deliveries: %w", err)
	}
	out := map[Channel]map[NoticeState]int{}
	for _, c := range Channels() {
		out[c] = map[NoticeState]int{}
	}
	var c Channel
	var st NoticeState
	var n int
	if _, err := pgx.ForEachRow(rows, []any{&c, &st, &n}, func() error { out[c][st] = n; return nil }); err != nil {
		return nil, fmt.Errorf("count deliveries: %w", err)
	}
	return out, nil
}

// ChannelHealth is how a channel does.
type ChannelHealth struct {
	Channel   Channel
	Waiting   int       // tried at least once and still waiting
	Since     time.Time // of the oldest of them; zero: none
	SentAt    time.Time // last that went out; zero: none
	LastError string
}

// ChannelsHealth tells how each channel does at the time now.
func (s *Store) ChannelsHealth(ctx context.Context, now time.Time) ([]ChannelHealth, error) {
	rows, err := s.api.Query(ctx, `SELECT c.channel, count(d.*), min(d.created_at),
			(SELECT max(a.ended_at) FROM delivery_attempt a JOIN delivery x USING (property_id, delivery_id)
				WHERE x.channel = c.channel AND a.outcome = 'sent' AND a.begun_at > $1),
			coalesce((SELECT a.detail FROM delivery_attempt a JOIN delivery x USING (property_id, delivery_id)
				WHERE x.channel = c.channel AND a.outcome IN ('later', 'refused') AND a.begun_at > $1 ORDER BY a.begun_at DESC LIMIT 1), '')
		FROM unnest(ARRAY['mail', 'text', 'webhook']) AS c(channel)
		LEFT JOIN delivery d ON d.channel = c.channel AND d.state IN ('waiting', 'sending') AND d.attempts > 0
		GROUP BY c.channel ORDER BY c.channel`, now.Add(-48*time.Hour))
	if err != nil {
		return nil, fmt.Errorf("how the channels do: %w", err)
	}
	out, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (h ChannelHealth, err error) {
		var since, sent *time.Time
		err = r.Scan(&h.Channel, &h.Waiting, &since, &sent, &h.LastError)
		h.Since, h.SentAt = instant(since), instant(sent)
		return h, err
	})
	if err != nil {
		return nil, fmt.Errorf("how the channels do: %w", err)
	}
	return out, nil
}

// CallOutAlarms are the alarms of a call-out that people were to hear of, the
// withdrawn ones too, oldest first.
func (s *Store) CallOutAlarms(ctx context.Context, property int32, callOut string, now time.Time) ([]AlarmRecord, error) {
	rows, err := s.evaluation.Query(ctx, `SELECT `+alarmColumns+alarmFrom+`
		WHERE a.property_id = $2 AND a.call_out = $3 AND a.suppressed_by IS NULL ORDER BY a.alarm_no`, now, property, callOut)
	if err != nil {
		return nil, fmt.Errorf("alarms of call-out %s: %w", callOut, err)
	}
	out, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (AlarmRecord, error) {
		a, _, err := scanAlarm(r)
		return a, err
	})
	if err != nil {
		return nil, fmt.Errorf("alarms of call-out %s: %w", callOut, err)
	}
	return out, nil
}

// Gathered claims for a carrier the lines that wait for it, and returns all that
// it carries. Doing it again returns the same and what has come since.
func (s *Store) Gathered(ctx context.Context, carrier *Notice, digest bool) (lines []Notice, err error) {
	err = retrying(ctx, func() error {
		return withTx(ctx, s.evaluation, pgx.TxOptions{}, func(tx pgx.Tx) error {
			if _, err := tx.Exec(ctx, `UPDATE delivery SET gathered_in = $1 WHERE channel = $2 AND recipient = $3 AND state = 'gathered'
				AND gathered_in IS NULL AND coalesce((content->>'digest')::bool, false) = $4`,
				carrier.ID, carrier.Channel, carrier.Recipient, digest); err != nil {
				return err
			}
			rows, err := tx.Query(ctx, `SELECT `+noticeColumnsSQL+noticeFromSQL+`WHERE d.gathered_in = $1 ORDER BY d.delivery_id`, carrier.ID)
			if err != nil {
				return err
			}
			lines, err = pgx.CollectRows(rows, func(r pgx.CollectableRow) (Notice, error) { return scanNotice(r) })
			return err
		})
	})
	if err != nil {
		return nil, fmt.Errorf("gather what %s is to be told: %w", carrier.Recipient, err)
	}
	return lines, nil
}
