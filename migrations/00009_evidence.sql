-- Sealed days and the log of all of them.

-- +goose Up
-- One record of the log: a local day of a property (amendment 0) or what came
-- after it was sealed. Staged first, without a place in the log; a run that
-- finds rows staged by another discards them.
CREATE TABLE sealed_day (
    property_id int4 NOT NULL REFERENCES property,
    day         date NOT NULL,           -- in the property's zone
    amendment   int2 NOT NULL,
    leaf_no     int8,                    -- place in the log from 0; NULL: staged
    leaf_sha256 bytea NOT NULL,          -- RFC 6962 leaf hash of the canonical text
    from_at     timestamptz NOT NULL,
    to_at       timestamptz NOT NULL,
    unwitnessed bool NOT NULL,
    readings    int4 NOT NULL,           -- values in it
    frame       bytea NOT NULL,          -- the text without its rows of readings, compact
    sealed_at   timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (property_id, day, amendment),
    CONSTRAINT sealed_day_amendment CHECK (amendment >= 0 AND (amendment > 0 OR NOT unwitnessed)),
    CONSTRAINT sealed_day_leaf CHECK (leaf_no >= 0),
    CONSTRAINT sealed_day_sha256 CHECK (length(leaf_sha256) = 32),
    CONSTRAINT sealed_day_order CHECK (to_at > from_at),
    CONSTRAINT sealed_day_readings CHECK (readings >= 0)
);
ALTER TABLE sealed_day ALTER COLUMN frame SET STORAGE EXTERNAL;
COMMENT ON TABLE sealed_day IS 'by property: sealed days and their amendments';
CREATE UNIQUE INDEX sealed_day_by_leaf ON sealed_day (leaf_no) WHERE leaf_no IS NOT NULL;
CREATE INDEX sealed_day_staged ON sealed_day (property_id, day) WHERE leaf_no IS NULL;

-- The readings of a record, by point and gateway, column by column. Packed
-- already, so Postgres need not try.
CREATE TABLE sealed_block (
    property_id int4 NOT NULL,
    point       text NOT NULL,
    from_at     timestamptz NOT NULL,    -- start of the day
    gateway_id  int2 NOT NULL,
    amendment   int2 NOT NULL,
    data        bytea NOT NULL,
    PRIMARY KEY (property_id, point, from_at, gateway_id, amendment)
);
ALTER TABLE sealed_block ALTER COLUMN data SET STORAGE EXTERNAL;
COMMENT ON TABLE sealed_block IS 'by property: readings of sealed days';

-- Readings that came after the raw rows of their time were dropped, until an
-- amendment has them.
CREATE TABLE late_reading (
    property_id int4 NOT NULL,
    series_id   int2 NOT NULL,
    gateway_id  int2 NOT NULL,
    at          timestamptz NOT NULL,
    value       float8 NOT NULL,
    received_at timestamptz NOT NULL,
    at_receipt  bool,
    PRIMARY KEY (property_id, series_id, at),
    CONSTRAINT late_reading_value_finite CHECK (value > '-infinity' AND value < 'infinity'),
    CONSTRAINT late_reading_at_receipt_true CHECK (at_receipt)
);
COMMENT ON TABLE late_reading IS 'by property: readings older than the raw rows, not yet amended';

-- Properties with new readings of a sealed time.
CREATE TABLE seal_due (
    property_id int4 NOT NULL,
    due_id      int8 GENERATED ALWAYS AS IDENTITY,
    earliest_at timestamptz NOT NULL,
    PRIMARY KEY (property_id, due_id)
);
COMMENT ON TABLE seal_due IS 'local: properties whose sealed days want an amendment';

-- Raw rows before raw_from may be gone; what is sealed stands for them.
CREATE TABLE seal_state (
    only_row  bool PRIMARY KEY DEFAULT true,
    raw_from  timestamptz NOT NULL DEFAULT '-infinity',
    raised_at timestamptz NOT NULL DEFAULT now(), -- when raw_from was last moved
    CONSTRAINT seal_state_one_row CHECK (only_row)
);
COMMENT ON TABLE seal_state IS 'local: from when on there are raw rows';
INSERT INTO seal_state DEFAULT VALUES;

CREATE TABLE log_head (
    only_row   bool PRIMARY KEY DEFAULT true,
    size       int8 NOT NULL,
    root       bytea NOT NULL,
    CONSTRAINT log_head_one_row CHECK (only_row),
    CONSTRAINT log_head_size CHECK (size >= 0),
    CONSTRAINT log_head_root CHECK (length(root) = 32)
);
COMMENT ON TABLE log_head IS 'local: how long the log is, and its hash';

CREATE TABLE log_tile (
    level   int2 NOT NULL,
    tile_no int8 NOT NULL,
    hashes  bytea NOT NULL,              -- up to 256 of 32 bytes; grows, never changes
    PRIMARY KEY (level, tile_no),
    CONSTRAINT log_tile_length CHECK (length(hashes) BETWEEN 32 AND 8192 AND length(hashes) % 32 = 0)
);
ALTER TABLE log_tile ALTER COLUMN hashes SET STORAGE EXTERNAL;
COMMENT ON TABLE log_tile IS 'local: the hash tree of the log';

-- Records that belong to no property: the keys of the log.
CREATE TABLE log_note (
    leaf_no int8 PRIMARY KEY,
    text    text NOT NULL,
    CONSTRAINT log_note_leaf CHECK (leaf_no >= 0)
);
COMMENT ON TABLE log_note IS 'local: records of the log about itself';

CREATE TABLE log_checkpoint (
    size      int8 PRIMARY KEY,
    signed    bytea NOT NULL,            -- C2SP signed note
    signed_at timestamptz NOT NULL,
    published bool NOT NULL DEFAULT false, -- kept outside the database too, and shown
    CONSTRAINT log_checkpoint_size CHECK (size >= 0)
);
COMMENT ON TABLE log_checkpoint IS 'local: signed states of the log';

-- Persons stand in the log as hashes; without the salt nobody can tell whose.
CREATE TABLE person_salt (
    name text PRIMARY KEY,
    salt bytea NOT NULL,
    CONSTRAINT person_salt_length CHECK (length(salt) = 32)
);
COMMENT ON TABLE person_salt IS 'local: salts of the persons in the log; forget one and its hashes name nobody';

-- +goose Down
DROP TABLE person_salt, log_checkpoint, log_note, log_tile, log_head, seal_state, seal_due, late_reading, sealed_block, sealed_day;
