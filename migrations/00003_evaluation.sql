-- What follows from what arrived.

-- +goose Up
-- Half-empty pages: the row is rewritten at every evaluation, and no indexed
-- column changes with it, so the new version stays on the same page.
CREATE TABLE evaluation (
    property_id   int4 PRIMARY KEY REFERENCES property,
    state         bytea,                 -- NULL: never evaluated
    state_version int8 NOT NULL DEFAULT 0,
    evaluated_to  timestamptz,           -- event time of the last reading in the state; NULL: none
    -- series that have a reading of just that time in the state; readings of
    -- the same instant may still come
    edge_series   int2[] NOT NULL DEFAULT '{}',
    watermark     timestamptz,           -- receipt time up to which silence was judged
    -- next look without anything new; a timer that is only ever moved closer,
    -- or on when it has fired
    wake_at       timestamptz,
    -- an evaluation that failed is not tried again before retry_at; what made
    -- the property due stays
    failures      int4 NOT NULL DEFAULT 0,
    failure       text,
    retry_at      timestamptz,
    CONSTRAINT evaluation_state_whole CHECK ((state IS NULL) = (watermark IS NULL) AND (evaluated_to IS NULL OR state IS NOT NULL)),
    CONSTRAINT evaluation_failures CHECK (failures >= 0 AND (failures = 0) = (failure IS NULL) AND (failures = 0) = (retry_at IS NULL))
) WITH (fillfactor = 50, autovacuum_vacuum_scale_factor = 0.05,
        toast.autovacuum_vacuum_scale_factor = 0.05, toast.autovacuum_vacuum_cost_delay = 0);
ALTER TABLE evaluation ALTER COLUMN state SET STORAGE EXTERNAL;
COMMENT ON TABLE evaluation IS 'by property: the evaluator''s carried state';
CREATE INDEX evaluation_wake ON evaluation (wake_at) WHERE wake_at IS NOT NULL;

-- Earlier states, to resume from when data comes late.
CREATE TABLE checkpoint (
    property_id int4 NOT NULL REFERENCES property,
    at          timestamptz NOT NULL,    -- every reading before it is in the state
    state       bytea NOT NULL,
    PRIMARY KEY (property_id, at)
);
COMMENT ON TABLE checkpoint IS 'by property: states to resume from';

-- When each gateway was last heard; written by the evaluator that holds the
-- property, so that ingest has nothing to update.
CREATE TABLE gateway_status (
    property_id int4 NOT NULL,
    gateway_id  int2 NOT NULL,
    heard_at    timestamptz,             -- last sign of life
    presence    int2 NOT NULL DEFAULT 0, -- 0 unknown, 1 online, 2 offline
    presence_at timestamptz,
    PRIMARY KEY (property_id, gateway_id),
    FOREIGN KEY (property_id, gateway_id) REFERENCES gateway,
    CONSTRAINT gateway_status_presence CHECK (presence BETWEEN 0 AND 2)
) WITH (fillfactor = 70);
COMMENT ON TABLE gateway_status IS 'by property: last sign of life of a gateway';

-- Whether anybody listened: silence is not held against a gateway for time in
-- which no instance of the service could have heard it.
CREATE TABLE listening (
    instance   text PRIMARY KEY,
    since      timestamptz NOT NULL,
    beat_at    timestamptz NOT NULL,
    CONSTRAINT listening_order CHECK (beat_at >= since),
    CONSTRAINT listening_instance CHECK (length(instance) BETWEEN 1 AND 200)
);
COMMENT ON TABLE listening IS 'local: heartbeat of each instance that takes messages';

CREATE TABLE deaf (
    from_at timestamptz PRIMARY KEY,
    to_at   timestamptz NOT NULL,
    CONSTRAINT deaf_order CHECK (to_at > from_at)
);
COMMENT ON TABLE deaf IS 'local: times in which no instance took messages';

-- +goose Down
DROP TABLE deaf, listening, gateway_status, checkpoint, evaluation;
