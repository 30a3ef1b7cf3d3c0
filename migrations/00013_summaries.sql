-- When the next summary of each kind is due. A row survives restarts, which a
-- schedule in memory does not; moving it on and enqueueing the summary are one
-- transaction.

-- +goose Up
CREATE TABLE summary_due (
    property_id int4 NOT NULL,      -- 0: of the whole fleet
    kind        text NOT NULL,
    due_at      timestamptz NOT NULL,
    PRIMARY KEY (property_id, kind),
    CONSTRAINT summary_due_kind CHECK (kind IN ('monthly', 'weekly'))
);
COMMENT ON TABLE summary_due IS 'by property: when its next summary is due';
CREATE INDEX summary_due_at ON summary_due (due_at);

-- +goose Down
DROP TABLE summary_due;
