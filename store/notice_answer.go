package store

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
)

// LinkedNotice is the delivery behind a signed link, with the alarms it told of.
func (s *Store) LinkedNotice(ctx context.Context, property int32, id int64, now time.Time) (Notice, []AlarmRecord, error) {
	n, err := scanNotice(s.api.QueryRow(ctx, `SELECT `+noticeColumnsSQL+noticeFromSQL+`
		WHERE d.property_id = $1 AND d.delivery_id = $2`, property, id))
	if isNoRows(err) {
		return Notice{}, nil, notFound("delivery %d", id)
	}
	if err != nil {
		return Notice{}, nil, fmt.Errorf("delivery %d: %w", id, err)
	}
	alarms, err := s.CallOutAlarms(ctx, property, n.Subject, now)
	return n, alarms, err
}

// AcknowledgeByLink acknowledges what a delivery told of, once: a second time
// is ErrConflict. by is who the journal will show.
func (s *Store) AcknowledgeByLink(ctx context.Context, property int32, id int64, by string, now time.Time) error {
	n, alarms, err := s.LinkedNotice(ctx, property, id, now)
	if err != nil {
		return err
	}
	err = withTx(ctx, s.api, pgx.TxOptions{}, func(tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, `UPDATE delivery SET link_used_at = $3 WHERE property_id = $1 AND delivery_id = $2 AND link_used_at IS NULL`,
			property, id, now)
		if err != nil {
			return err
		}
		if tag.RowsAffected() == 0 {
			return conflict("the link has been used")
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("link of delivery %d: %w", id, err)
	}
	for _, a := range alarms {
		if !a.WithdrawnAt.IsZero() || !a.AcknowledgedAt.IsZero() {
			continue
		}
		err := s.Acknowledge(ctx, Answer{Scope: Scope{Properties: []string{n.PropertyID}}, Alarm: a.ID, By: by, Why: "by the link in a message", Now: now})
		if err != nil && !errors.Is(err, ErrConflict) {
			// Not acknowledged: the link must work again.
			_, uerr := s.api.Exec(ctx, `UPDATE delivery SET link_used_at = NULL WHERE property_id = $1 AND delivery_id = $2`, property, id)
			return errors.Join(err, uerr)
		}
	}
	return nil
}

// StopMail notes that an address wants no more mail.
func (s *Store) StopMail(ctx context.Context, address, how string, now time.Time) error {
	_, err := s.api.Exec(ctx, `INSERT INTO mail_stop (address, stopped_at, how) VALUES ($1, $2, $3) ON CONFLICT (address) DO NOTHING`,
		strings.ToLower(address), now, how)
	if err != nil {
		return fmt.Errorf("stop mail to an address: %w", err)
	}
	return nil
}

// ResumeMail takes StopMail back, and notes who did; false when the address had
// not asked for it.
func (s *Store) ResumeMail(ctx context.Context, address, by string) (resumed bool, err error) {
	err = withTx(ctx, s.api, pgx.TxOptions{}, func(tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, `DELETE FROM mail_stop WHERE address = $1`, strings.ToLower(address))
		if resumed = tag.RowsAffected() > 0; err != nil || !resumed {
			return err
		}
		return audit(ctx, tx, by, AuditEntry{Action: "resume-mail", Object: "mail to " + strings.ToLower(address)})
	})
	if err != nil {
		return false, fmt.Errorf("resume mail to an address: %w", err)
	}
	return resumed, nil
}

// StoppedMail is an address that wants no mail.
type StoppedMail struct {
	Address string
	At      time.Time
	How     string
}

// StoppedMail lists addresses that want no mail.
func (s *Store) StoppedMail(ctx context.Context) ([]StoppedMail, error) {
	return collect(ctx, s.api, "addresses that want no mail", func(r pgx.CollectableRow) (m StoppedMail, err error) {
		err = r.Scan(&m.Address, &m.At, &m.How)
		m.At = m.At.UTC()
		return m, err
	}, `SELECT address, stopped_at, how FROM mail_stop ORDER BY address`)
}
