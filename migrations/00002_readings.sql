-- What arrives. Readings and contacts are partitioned by month of their time
-- in UTC; the service creates the months ahead and on demand for late data.
-- There is no default partition: it would have to be searched, under an
-- exclusive lock, whenever a month is added.

-- +goose Up
-- Wide columns last but one, the rare flag NULL when false: a NULL fits into
-- the bitmap of the row's header, so a row is 24 + 32 bytes.
CREATE TABLE readings (
    property_id int4 NOT NULL,
    series_id   int2 NOT NULL,
    gateway_id  int2 NOT NULL,
    at          timestamptz NOT NULL,
    value       float8 NOT NULL,
    received_at timestamptz NOT NULL,
    at_receipt  bool,                    -- true: the time was resolved against the receipt; else NULL
    PRIMARY KEY (property_id, series_id, at),
    -- NaN sorts above infinity, so this refuses it too
    CONSTRAINT readings_value_finite CHECK (value > '-infinity' AND value < 'infinity'),
    CONSTRAINT readings_at_receipt_true CHECK (at_receipt),
    CONSTRAINT readings_ids CHECK (property_id > 0 AND series_id >= 0 AND gateway_id >= 0)
) PARTITION BY RANGE (at);
COMMENT ON TABLE readings IS 'by property: every accepted reading, the first value stands';

-- A message that brought no new reading is still a sign of life, and presence
-- is a state of its own. Messages with new readings need no row here: each
-- reading carries its gateway and its receipt.
CREATE TABLE contact (
    property_id int4 NOT NULL,
    gateway_id  int2 NOT NULL,
    presence    int2 NOT NULL,           -- 0 a message of any kind, 1 online, 2 offline
    heard_at    timestamptz NOT NULL,
    PRIMARY KEY (property_id, heard_at, gateway_id, presence),
    CONSTRAINT contact_presence CHECK (presence BETWEEN 0 AND 2),
    CONSTRAINT contact_ids CHECK (property_id > 0 AND gateway_id >= 0)
) PARTITION BY RANGE (heard_at);
COMMENT ON TABLE contact IS 'by property: what was heard of a gateway besides new readings';

-- Properties with something new. Appended by ingest, never updated, deleted by
-- the evaluator that read the rows; so ingest never waits for an evaluator.
CREATE TABLE due (
    property_id int4 NOT NULL,
    due_id      int8 GENERATED ALWAYS AS IDENTITY,
    earliest_at timestamptz,             -- earliest new reading; NULL: none, something else is new
    received_at timestamptz NOT NULL,
    PRIMARY KEY (property_id, due_id)
) WITH (autovacuum_vacuum_scale_factor = 0, autovacuum_vacuum_threshold = 2000,
        autovacuum_vacuum_insert_threshold = -1, autovacuum_vacuum_cost_delay = 0);
COMMENT ON TABLE due IS 'local: queue of properties to evaluate';

-- Payloads that could not be used, once per property and content.
CREATE TABLE quarantine_payload (
    property_id    int4 NOT NULL,        -- 0: no such property
    payload_sha256 bytea NOT NULL,       -- of the whole payload, also where it is cut here
    payload_bytes  int8 NOT NULL,
    payload        bytea NOT NULL,
    PRIMARY KEY (property_id, payload_sha256),
    CONSTRAINT quarantine_payload_sha256 CHECK (length(payload_sha256) = 32),
    CONSTRAINT quarantine_payload_cut CHECK (length(payload) <= 65536 AND payload_bytes >= length(payload))
);
COMMENT ON TABLE quarantine_payload IS 'by property: raw payloads behind the quarantine';

CREATE TABLE quarantine (
    property_id    int4 NOT NULL,        -- 0: no such property
    quarantine_id  int8 GENERATED ALWAYS AS IDENTITY,
    -- of what was refused, so that a redelivery is the same row
    fingerprint    bytea NOT NULL,
    received_at    timestamptz NOT NULL,
    topic          text NOT NULL,
    reason         text NOT NULL,
    detail         text NOT NULL,
    payload_sha256 bytea NOT NULL,
    point          text,
    quantity       int2,
    at             timestamptz,
    value          float8,
    judged         bool NOT NULL DEFAULT false, -- the evaluator has taken note
    outcome        text,                 -- NULL: open
    closed_at      timestamptz,
    closed_by      text,
    PRIMARY KEY (property_id, quarantine_id),
    UNIQUE (property_id, fingerprint),
    FOREIGN KEY (property_id, payload_sha256) REFERENCES quarantine_payload,
    CONSTRAINT quarantine_fingerprint CHECK (length(fingerprint) = 32),
    CONSTRAINT quarantine_reason CHECK (reason ~ '^[a-z-]{1,40}$'),
    CONSTRAINT quarantine_topic CHECK (length(topic) <= 1000),
    CONSTRAINT quarantine_detail CHECK (length(detail) <= 1000),
    CONSTRAINT quarantine_closed CHECK ((outcome IS NULL) = (closed_at IS NULL) AND (outcome IS NULL) = (closed_by IS NULL)),
    CONSTRAINT quarantine_outcome CHECK (outcome IN ('replayed', 'discarded'))
);
COMMENT ON TABLE quarantine IS 'by property: what could not be used, and why';
CREATE INDEX quarantine_received ON quarantine (property_id, received_at);
CREATE INDEX quarantine_unjudged ON quarantine (property_id) WHERE NOT judged AND property_id > 0;
CREATE INDEX quarantine_open ON quarantine (quarantine_id) WHERE outcome IS NULL;

-- +goose Down
DROP TABLE quarantine, quarantine_payload, due, contact, readings;
