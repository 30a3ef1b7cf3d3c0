-- Call-outs of several houses that have one cause: joined after the fact, by a
-- step that one instance at a time takes.

-- +goose Up
CREATE TABLE regional_event (
    event_id     int8 GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    kind         text NOT NULL,
    houses       int4 NOT NULL,
    since        timestamptz NOT NULL,   -- event time of the first call-out
    last_at      timestamptz NOT NULL,   -- and of the last
    until        timestamptz,            -- end of the last; NULL while one stands
    -- where: mean place of its located houses, and the farthest of them
    latitude     float8,
    longitude    float8,
    radius_km    float8,
    -- why the call-outs are no coincidence
    near_houses  int4 NOT NULL,          -- with a call-out, near its kernel
    near_fleet   int4 NOT NULL,          -- houses near its kernel
    near_km      float8 NOT NULL,        -- 0: same area, or the whole fleet
    near_hours   float8 NOT NULL,
    expected     float8 NOT NULL,
    probability  float8 NOT NULL,
    usual_a_year float8 NOT NULL,        -- call-outs of its family a house and year
    opened_at    timestamptz NOT NULL,   -- by the clock
    changed_at   timestamptz NOT NULL,
    merged_into  int8 REFERENCES regional_event,
    dissolved_at timestamptz,            -- later data left too little of it
    CONSTRAINT regional_event_kind CHECK (kind ~ '^[a-z][a-z-]{0,39}$'),
    CONSTRAINT regional_event_houses CHECK (houses >= 0),
    CONSTRAINT regional_event_order CHECK (last_at >= since AND until >= since),
    CONSTRAINT regional_event_place CHECK ((latitude IS NULL) = (longitude IS NULL) AND (latitude IS NULL) = (radius_km IS NULL)),
    CONSTRAINT regional_event_gone CHECK (merged_into IS NULL OR dissolved_at IS NOT NULL)
);
COMMENT ON TABLE regional_event IS 'local: one cause over several houses';
CREATE INDEX regional_event_since ON regional_event (since, event_id) WHERE dissolved_at IS NULL;

CREATE TABLE regional_member (
    property_id int4 NOT NULL REFERENCES property,
    call_out    text NOT NULL,
    event_id    int8 NOT NULL REFERENCES regional_event,
    since       timestamptz NOT NULL,
    until       timestamptz,
    joined_at   timestamptz NOT NULL,    -- by the clock
    PRIMARY KEY (property_id, call_out),
    CONSTRAINT regional_member_call_out CHECK (call_out <> '')
);
COMMENT ON TABLE regional_member IS 'by property: call-outs that are part of a regional event';
CREATE INDEX regional_member_event ON regional_member (event_id, property_id);

-- Call-outs that began, ended or moved. Appended by evaluators, deleted by the
-- step that read the rows.
CREATE TABLE regional_due (
    property_id int4 NOT NULL,
    due_id      int8 GENERATED ALWAYS AS IDENTITY,
    at          timestamptz NOT NULL,    -- raised_at
    PRIMARY KEY (property_id, due_id)
) WITH (autovacuum_vacuum_scale_factor = 0, autovacuum_vacuum_threshold = 2000, autovacuum_vacuum_insert_threshold = -1);
COMMENT ON TABLE regional_due IS 'local: queue of call-outs to look at together';

-- How often such call-outs are usual; worked out once a day.
CREATE TABLE regional_usual (
    day          date NOT NULL,
    family       text NOT NULL,
    busy         int4 NOT NULL,          -- spans of ten minutes with a call-out somewhere
    spans        int4 NOT NULL,          -- of so many
    houses       int4 NOT NULL,
    per_hour     float8 NOT NULL,        -- call-outs a house and hour
    PRIMARY KEY (day, family),
    CONSTRAINT regional_usual_rate CHECK (per_hour > 0)
);
COMMENT ON TABLE regional_usual IS 'local: usual rate of call-outs by family';

CREATE TABLE regional_step (
    one      bool PRIMARY KEY DEFAULT true,
    taken_at timestamptz,
    CONSTRAINT regional_step_one CHECK (one)
);
COMMENT ON TABLE regional_step IS 'local: one row, locked by the instance that joins call-outs';
INSERT INTO regional_step DEFAULT VALUES;

-- What stands now was not looked at yet.
INSERT INTO regional_due (property_id, at)
    SELECT property_id, raised_at FROM alarm WHERE withdrawn_at IS NULL AND call_out <> '' AND raised_at > now() - interval '30 days';

-- +goose Down
DROP TABLE regional_step, regional_usual, regional_due, regional_member, regional_event;
