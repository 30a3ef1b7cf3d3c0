-- Visits: what was planned, who went, what they found, measured, replaced and
-- tested. A row of visit says how it stands; the journal says how it came to
-- that, and is never changed. Checks and tests are withdrawn, never deleted.

-- +goose Up
CREATE TABLE visit (
    property_id  int4 NOT NULL REFERENCES property,
    visit_no     int4 NOT NULL,          -- counts up per property
    kind         text NOT NULL,
    state        text NOT NULL,
    origin       text NOT NULL,          -- what asked for it
    reason       text NOT NULL DEFAULT '',
    due_on       date,                   -- in the property's zone; NULL: none agreed
    crew         text NOT NULL DEFAULT '',
    assigned_to  int4,                   -- a person; NULL: nobody yet
    alarm_no     int4,                   -- the alarm that asked for it
    planned_at   timestamptz NOT NULL,
    planned_by   text NOT NULL,
    started_at   timestamptz,
    started_by   text,
    ended_at     timestamptz,            -- signed off or cancelled
    ended_by     text,
    findings     text NOT NULL DEFAULT '',
    work         text[] NOT NULL DEFAULT '{}',
    revision     int4 NOT NULL DEFAULT 1,
    changed_at   timestamptz NOT NULL,
    PRIMARY KEY (property_id, visit_no),
    FOREIGN KEY (property_id, alarm_no) REFERENCES alarm,
    CONSTRAINT visit_no_positive CHECK (visit_no > 0),
    CONSTRAINT visit_kind CHECK (kind IN ('hand-over', 'service', 'repair', 'inspection', 'sensor-check', 'pump-test')),
    CONSTRAINT visit_state CHECK (state IN ('planned', 'under-way', 'done', 'cancelled')),
    CONSTRAINT visit_origin CHECK (origin IN ('by-hand', 'terms', 'unproven-pump', 'alarm')),
    CONSTRAINT visit_origin_alarm CHECK (origin <> 'alarm' OR alarm_no IS NOT NULL),
    CONSTRAINT visit_reason CHECK (length(reason) <= 1000),
    CONSTRAINT visit_crew CHECK (length(crew) <= 100),
    CONSTRAINT visit_findings CHECK (length(findings) <= 10000),
    CONSTRAINT visit_started CHECK ((started_at IS NULL) = (started_by IS NULL) AND (state = 'planned') <= (started_at IS NULL)
        AND (state IN ('under-way', 'done')) <= (started_at IS NOT NULL)),
    CONSTRAINT visit_ended CHECK ((ended_at IS NULL) = (ended_by IS NULL) AND (state IN ('done', 'cancelled')) = (ended_at IS NOT NULL)),
    CONSTRAINT visit_order CHECK (ended_at >= started_at),
    CONSTRAINT visit_people CHECK (length(planned_by) BETWEEN 1 AND 200 AND length(started_by) BETWEEN 1 AND 200
        AND length(ended_by) BETWEEN 1 AND 200)
);
COMMENT ON TABLE visit IS 'by property: planned, under way and past visits, as they stand';
CREATE INDEX visit_open ON visit (due_on, property_id, visit_no) WHERE state IN ('planned', 'under-way');
CREATE INDEX visit_assigned ON visit (assigned_to) WHERE state IN ('planned', 'under-way');
CREATE INDEX visit_ended_at ON visit (property_id, ended_at) WHERE state = 'done';

CREATE TABLE visit_journal (
    property_id    int4 NOT NULL REFERENCES property,
    entry_id       int8 GENERATED ALWAYS AS IDENTITY,
    visit_no       int4,                 -- NULL: a check or test outside any visit
    at             timestamptz NOT NULL,
    kind           text NOT NULL,
    actor          text NOT NULL,
    person_id      int4,                 -- NULL: a program
    why            text NOT NULL DEFAULT '',
    ref            int4,                 -- number of the reading, part, photo, check or test
    detail         jsonb NOT NULL DEFAULT '{}', -- what changed, as it then stood
    -- a write that comes again finds itself here and changes nothing
    request_key    text,
    request_sha256 bytea,
    PRIMARY KEY (property_id, entry_id),
    FOREIGN KEY (property_id, visit_no) REFERENCES visit,
    CONSTRAINT visit_journal_kind CHECK (kind IN ('planned', 'changed', 'started', 'recorded', 'reading', 'part', 'photo',
        'sensor-check', 'pump-test', 'withdrawn', 'out-of-service', 'returned-to-service', 'done', 'cancelled')),
    CONSTRAINT visit_journal_actor CHECK (length(actor) BETWEEN 1 AND 200),
    CONSTRAINT visit_journal_why CHECK (length(why) <= 1000),
    CONSTRAINT visit_journal_key CHECK (length(request_key) BETWEEN 1 AND 200 AND (request_key IS NULL) = (request_sha256 IS NULL)),
    CONSTRAINT visit_journal_sha256 CHECK (length(request_sha256) = 32)
);
COMMENT ON TABLE visit_journal IS 'by property: every change of every visit, append only';
CREATE UNIQUE INDEX visit_journal_request ON visit_journal (property_id, request_key) WHERE request_key IS NOT NULL;
CREATE INDEX visit_journal_visit ON visit_journal (property_id, visit_no, entry_id);
CREATE INDEX visit_journal_at ON visit_journal (property_id, at);
CREATE TRIGGER visit_journal_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON visit_journal
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();

CREATE TABLE visit_reading (
    property_id int4 NOT NULL,
    reading_no  int4 NOT NULL,
    visit_no    int4 NOT NULL,
    at          timestamptz NOT NULL,
    quantity    text NOT NULL,
    place       text NOT NULL DEFAULT '',
    value       float8 NOT NULL,
    unit        text NOT NULL,           -- of value: the quantity's stored unit
    remark      text NOT NULL DEFAULT '',
    PRIMARY KEY (property_id, reading_no),
    FOREIGN KEY (property_id, visit_no) REFERENCES visit,
    CONSTRAINT visit_reading_finite CHECK (value > '-infinity' AND value < 'infinity'),
    CONSTRAINT visit_reading_text CHECK (length(quantity) BETWEEN 1 AND 40 AND length(place) <= 200 AND length(unit) BETWEEN 1 AND 20 AND length(remark) <= 1000)
);
COMMENT ON TABLE visit_reading IS 'by property: readings taken by hand at a visit';
CREATE INDEX visit_reading_visit ON visit_reading (property_id, visit_no);

CREATE TABLE visit_part (
    property_id int4 NOT NULL,
    part_no     int4 NOT NULL,
    visit_no    int4 NOT NULL,
    part        text NOT NULL,
    pieces      int4 NOT NULL,
    serial      text NOT NULL DEFAULT '',
    PRIMARY KEY (property_id, part_no),
    FOREIGN KEY (property_id, visit_no) REFERENCES visit,
    CONSTRAINT visit_part_text CHECK (length(part) BETWEEN 1 AND 200 AND length(serial) <= 100),
    CONSTRAINT visit_part_pieces CHECK (pieces BETWEEN 1 AND 1000)
);
COMMENT ON TABLE visit_part IS 'by property: parts used at a visit';
CREATE INDEX visit_part_visit ON visit_part (property_id, visit_no);

CREATE TABLE visit_photo (
    property_id int4 NOT NULL,
    photo_no    int4 NOT NULL,
    visit_no    int4 NOT NULL,
    added_at    timestamptz NOT NULL,
    caption     text NOT NULL DEFAULT '',
    media_type  text NOT NULL,
    width       int4 NOT NULL,
    height      int4 NOT NULL,
    image       bytea NOT NULL,          -- decoded and encoded anew: no metadata of the camera
    sha256      bytea NOT NULL,          -- of image
    thumb       bytea NOT NULL,
    PRIMARY KEY (property_id, photo_no),
    FOREIGN KEY (property_id, visit_no) REFERENCES visit,
    CONSTRAINT visit_photo_caption CHECK (length(caption) <= 500),
    CONSTRAINT visit_photo_media CHECK (media_type IN ('image/jpeg', 'image/png')),
    CONSTRAINT visit_photo_size CHECK (width BETWEEN 1 AND 4096 AND height BETWEEN 1 AND 4096
        AND length(image) BETWEEN 1 AND 8388608 AND length(thumb) BETWEEN 1 AND 262144),
    CONSTRAINT visit_photo_sha256 CHECK (length(sha256) = 32)
);
COMMENT ON TABLE visit_photo IS 'by property: photos taken at a visit';
ALTER TABLE visit_photo ALTER COLUMN image SET STORAGE EXTERNAL, ALTER COLUMN thumb SET STORAGE EXTERNAL;
CREATE INDEX visit_photo_visit ON visit_photo (property_id, visit_no);

-- A humidity sensor held over a saturated salt (ASTM E104).
CREATE TABLE sensor_check (
    property_id     int4 NOT NULL REFERENCES property,
    check_no        int4 NOT NULL,
    visit_no        int4,                -- NULL: outside any visit
    at              timestamptz NOT NULL,
    recorded_at     timestamptz NOT NULL,
    recorded_by     text NOT NULL,
    person_id       int4,
    point           text NOT NULL,
    serial          text NOT NULL DEFAULT '',
    salt            text NOT NULL,       -- chemical formula
    temp_c          float8 NOT NULL,
    read_pct        float8 NOT NULL,
    expected_pct    float8 NOT NULL,
    salt_limit_pct  float8 NOT NULL,     -- uncertainty of the salt's RH as published
    accuracy_pct    float8 NOT NULL,     -- of the sensor, as described
    tolerance_pct   float8 NOT NULL,     -- within which it passes
    within          bool NOT NULL,
    offset_pct      float8 NOT NULL,     -- read minus expected
    offset_standard_pct float8 NOT NULL, -- standard uncertainty of the offset
    remark          text NOT NULL DEFAULT '',
    withdrawn_at    timestamptz,
    withdrawn_by    text,
    withdrawn_why   text,
    PRIMARY KEY (property_id, check_no),
    FOREIGN KEY (property_id, visit_no) REFERENCES visit,
    CONSTRAINT sensor_check_text CHECK (length(recorded_by) BETWEEN 1 AND 200 AND point ~ '^[a-z0-9][a-z0-9-]{0,39}$'
        AND length(serial) <= 100 AND length(salt) BETWEEN 1 AND 20 AND length(remark) <= 1000),
    CONSTRAINT sensor_check_figures CHECK (temp_c BETWEEN 0 AND 50 AND read_pct BETWEEN 0 AND 100 AND expected_pct BETWEEN 0 AND 100
        AND salt_limit_pct BETWEEN 0 AND 10 AND accuracy_pct BETWEEN 0 AND 20 AND tolerance_pct BETWEEN 0 AND 40
        AND offset_pct BETWEEN -100 AND 100 AND offset_standard_pct BETWEEN 0 AND 40),
    CONSTRAINT sensor_check_withdrawn CHECK ((withdrawn_at IS NULL) = (withdrawn_by IS NULL) AND (withdrawn_at IS NULL) = (withdrawn_why IS NULL))
);
COMMENT ON TABLE sensor_check IS 'by property: checks of humidity sensors over saturated salts';
CREATE INDEX sensor_check_point ON sensor_check (property_id, point, at) WHERE withdrawn_at IS NULL;
CREATE INDEX sensor_check_visit ON sensor_check (property_id, visit_no);

CREATE TABLE pump_test (
    property_id   int4 NOT NULL REFERENCES property,
    test_no       int4 NOT NULL,
    visit_no      int4,                  -- NULL: outside any visit
    at            timestamptz NOT NULL,  -- when the pump started, or should have
    recorded_at   timestamptz NOT NULL,
    recorded_by   text NOT NULL,
    person_id     int4,
    pump          text NOT NULL,
    method        text NOT NULL,         -- float: lifted by hand; bucket: water poured until it started
    ran           bool NOT NULL,
    poured_l      float8,                -- bucket only
    draw_down_s   float8,                -- from start to stop, nothing flowing in
    remark        text NOT NULL DEFAULT '',
    withdrawn_at  timestamptz,
    withdrawn_by  text,
    withdrawn_why text,
    PRIMARY KEY (property_id, test_no),
    FOREIGN KEY (property_id, visit_no) REFERENCES visit,
    CONSTRAINT pump_test_pump CHECK (pump IN ('primary', 'backup')),
    CONSTRAINT pump_test_method CHECK (method IN ('float', 'bucket')),
    CONSTRAINT pump_test_figures CHECK (poured_l > 0 AND poured_l <= 10000 AND draw_down_s > 0 AND draw_down_s <= 86400),
    CONSTRAINT pump_test_measured CHECK ((method = 'bucket' AND ran) = (poured_l IS NOT NULL AND draw_down_s IS NOT NULL)
        AND (poured_l IS NULL) = (draw_down_s IS NULL)),
    CONSTRAINT pump_test_text CHECK (length(recorded_by) BETWEEN 1 AND 200 AND length(remark) <= 1000),
    CONSTRAINT pump_test_withdrawn CHECK ((withdrawn_at IS NULL) = (withdrawn_by IS NULL) AND (withdrawn_at IS NULL) = (withdrawn_why IS NULL))
);
COMMENT ON TABLE pump_test IS 'by property: tests of sump pumps by hand';
CREATE INDEX pump_test_at ON pump_test (property_id, at) WHERE withdrawn_at IS NULL;
CREATE INDEX pump_test_visit ON pump_test (property_id, visit_no);

-- Alarms that a visit itself brings about are out of service while it lasts,
-- and at most until a time that was set when it began: nobody has to remember
-- to return them.
ALTER TABLE alarm_hold ADD COLUMN visit_no int4;
ALTER TABLE alarm_hold DROP CONSTRAINT alarm_hold_until;
ALTER TABLE alarm_hold ADD CONSTRAINT alarm_hold_until
    CHECK (CASE kind WHEN 'shelved' THEN until IS NOT NULL ELSE until IS NULL OR visit_no IS NOT NULL END);

-- What a visit held, for as long as it did: an alarm of that time that becomes
-- known later is the visit's too.
CREATE TABLE visit_hold (
    property_id int4 NOT NULL,
    visit_no    int4 NOT NULL,
    condition   text NOT NULL,
    point       text NOT NULL DEFAULT '',
    from_at     timestamptz NOT NULL,
    until_at    timestamptz NOT NULL,
    held_by     text NOT NULL,
    reason      text NOT NULL,
    PRIMARY KEY (property_id, visit_no, condition, point),
    FOREIGN KEY (property_id, visit_no) REFERENCES visit,
    CONSTRAINT visit_hold_order CHECK (until_at >= from_at),
    CONSTRAINT visit_hold_text CHECK (length(held_by) BETWEEN 1 AND 200 AND length(reason) BETWEEN 1 AND 1000)
);
COMMENT ON TABLE visit_hold IS 'by property: conditions that a visit put out of service';

ALTER TABLE alarm_journal DROP CONSTRAINT alarm_journal_kind;
ALTER TABLE alarm_journal ADD CONSTRAINT alarm_journal_kind CHECK (kind IN ('raised', 'escalated', 'cleared', 'moved', 'withdrawn',
    'suppressed', 'acknowledged', 'shelved', 'unshelved', 'out-of-service', 'returned-to-service', 'visit-planned', 'visited'));

-- The last cycle of the primary pump, for the service plan: readings are
-- dropped after sealing.
ALTER TABLE evaluation ADD COLUMN pump_cycle_at timestamptz;

-- +goose Down
ALTER TABLE evaluation DROP COLUMN pump_cycle_at;
ALTER TABLE alarm_journal DROP CONSTRAINT alarm_journal_kind;
ALTER TABLE alarm_journal ADD CONSTRAINT alarm_journal_kind CHECK (kind IN ('raised', 'escalated', 'cleared', 'moved', 'withdrawn',
    'suppressed', 'acknowledged', 'shelved', 'unshelved', 'out-of-service', 'returned-to-service')) NOT VALID;
DROP TABLE visit_hold;
DELETE FROM alarm_hold WHERE visit_no IS NOT NULL;
ALTER TABLE alarm_hold DROP CONSTRAINT alarm_hold_until;
ALTER TABLE alarm_hold ADD CONSTRAINT alarm_hold_until CHECK ((kind = 'shelved') = (until IS NOT NULL));
ALTER TABLE alarm_hold DROP COLUMN visit_no;
DROP TABLE pump_test, sensor_check, visit_photo, visit_part, visit_reading, visit_journal, visit;
