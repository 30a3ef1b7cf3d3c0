-- Alarms, how people answered them, and the journal of both.

-- +goose Up
CREATE TABLE alarm (
    property_id      int4 NOT NULL REFERENCES property,
    alarm_no         int4 NOT NULL,      -- counts up per property
    condition        text NOT NULL,
    point            text NOT NULL DEFAULT '', -- '' for property-wide conditions
    priority         int2 NOT NULL,      -- 1 low, 2 medium, 3 high, 4 urgent; its highest
    raised_at        timestamptz NOT NULL,
    known_at         timestamptz NOT NULL,
    cleared_at       timestamptz,
    withdrawn_at     timestamptz,
    withdrawn_why    text,
    call_out         text NOT NULL DEFAULT '',
    suppressed_by    text,
    causes           jsonb NOT NULL DEFAULT '[]',
    remarks          text[] NOT NULL DEFAULT '{}',
    priority_changes jsonb NOT NULL DEFAULT '[]',
    acknowledged_at  timestamptz,
    acknowledged_by  text,
    changed_at       timestamptz NOT NULL,
    PRIMARY KEY (property_id, alarm_no),
    CONSTRAINT alarm_no_positive CHECK (alarm_no > 0),
    CONSTRAINT alarm_condition_form CHECK (condition ~ '^[a-z][a-z-]{0,39}$'),
    CONSTRAINT alarm_point_form CHECK (point = '' OR point ~ '^[a-z0-9][a-z0-9-]{0,39}$'),
    CONSTRAINT alarm_priority_range CHECK (priority BETWEEN 1 AND 4),
    CONSTRAINT alarm_cleared_after CHECK (cleared_at >= raised_at),
    CONSTRAINT alarm_withdrawn_why CHECK ((withdrawn_at IS NULL) = (withdrawn_why IS NULL)),
    CONSTRAINT alarm_acknowledged_by CHECK ((acknowledged_at IS NULL) = (acknowledged_by IS NULL)),
    CONSTRAINT alarm_acknowledged_length CHECK (length(acknowledged_by) BETWEEN 1 AND 200),
    CONSTRAINT alarm_causes_list CHECK (jsonb_typeof(causes) = 'array'),
    CONSTRAINT alarm_priority_changes_list CHECK (jsonb_typeof(priority_changes) = 'array')
) WITH (fillfactor = 80);
COMMENT ON TABLE alarm IS 'by property: one episode of one condition at one point';
CREATE UNIQUE INDEX alarm_open ON alarm (property_id, condition, point)
    WHERE cleared_at IS NULL AND withdrawn_at IS NULL;
-- what still wants a person: open, or over but not yet seen
CREATE INDEX alarm_standing ON alarm (property_id)
    WHERE withdrawn_at IS NULL AND (cleared_at IS NULL OR acknowledged_at IS NULL);
CREATE INDEX alarm_raised ON alarm (raised_at, property_id, alarm_no);

-- Shelving and taking out of service hold for a condition at a point, not for
-- one episode: the next episode meanwhile is held back too.
CREATE TABLE alarm_hold (
    property_id int4 NOT NULL REFERENCES property,
    condition   text NOT NULL,
    point       text NOT NULL DEFAULT '',
    kind        text NOT NULL,
    until       timestamptz,
    reason      text NOT NULL,
    held_by     text NOT NULL,
    held_at     timestamptz NOT NULL,
    PRIMARY KEY (property_id, condition, point),
    CONSTRAINT alarm_hold_kind CHECK (kind IN ('shelved', 'out-of-service')),
    -- shelving ends by itself; out of service lasts until someone returns it
    CONSTRAINT alarm_hold_until CHECK ((kind = 'shelved') = (until IS NOT NULL)),
    CONSTRAINT alarm_hold_order CHECK (until > held_at),
    CONSTRAINT alarm_hold_reason CHECK (length(reason) BETWEEN 1 AND 1000),
    CONSTRAINT alarm_hold_by CHECK (length(held_by) BETWEEN 1 AND 200)
);
COMMENT ON TABLE alarm_hold IS 'by property: conditions shelved or out of service';

CREATE TABLE alarm_journal (
    property_id int4 NOT NULL,
    entry_id    int8 GENERATED ALWAYS AS IDENTITY,
    alarm_no    int4 NOT NULL,
    at          timestamptz NOT NULL,    -- when it was written, by the clock or the watermark
    kind        text NOT NULL,
    actor       text NOT NULL,
    why         text NOT NULL DEFAULT '',
    alarm       jsonb NOT NULL,          -- as it then stood
    PRIMARY KEY (property_id, entry_id),
    FOREIGN KEY (property_id, alarm_no) REFERENCES alarm,
    CONSTRAINT alarm_journal_kind CHECK (kind IN ('raised', 'escalated', 'cleared', 'moved', 'withdrawn', 'suppressed',
        'acknowledged', 'shelved', 'unshelved', 'out-of-service', 'returned-to-service')),
    CONSTRAINT alarm_journal_actor CHECK (length(actor) BETWEEN 1 AND 200),
    CONSTRAINT alarm_journal_why CHECK (length(why) <= 1000)
);
COMMENT ON TABLE alarm_journal IS 'by property: every change of every alarm, append only';
CREATE INDEX alarm_journal_alarm ON alarm_journal (property_id, alarm_no, entry_id);
CREATE INDEX alarm_journal_at ON alarm_journal (property_id, at);

-- +goose StatementBegin
CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'rows of % are never changed', TG_TABLE_NAME USING ERRCODE = 'restrict_violation';
END $$;
-- +goose StatementEnd
CREATE TRIGGER alarm_journal_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON alarm_journal
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();

-- +goose Down
DROP TABLE alarm_journal, alarm_hold, alarm;
DROP FUNCTION refuse_change;
