-- People: who may see which properties, how they are reached, in which
-- language and units. Tokens stay apart: they are for programs.

-- +goose Up
CREATE TABLE person (
    person_id      int4 GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    name           text NOT NULL,
    email          text NOT NULL DEFAULT '',  -- '' : no mail
    phone          text NOT NULL DEFAULT '',  -- E.164; '' : no text messages
    role           text NOT NULL,
    all_properties bool NOT NULL,             -- false: only those of person_property
    language       text NOT NULL DEFAULT 'en',
    units          text NOT NULL DEFAULT '',  -- '' : those of the property
    password       text NOT NULL DEFAULT '',  -- PHC string; '' : cannot sign in by password
    created_at     timestamptz NOT NULL DEFAULT now(),
    created_by     text NOT NULL,
    disabled_at    timestamptz,
    CONSTRAINT person_name CHECK (length(name) BETWEEN 1 AND 200),
    CONSTRAINT person_email CHECK (email = '' OR (length(email) BETWEEN 3 AND 254 AND email ~ '^[^[:space:][:cntrl:]@]+@[^[:space:][:cntrl:]@]+$')),
    CONSTRAINT person_phone CHECK (phone = '' OR phone ~ '^\+[1-9][0-9]{6,14}$'),
    CONSTRAINT person_role CHECK (role IN ('manager', 'technician', 'owner', 'warranty', 'operator')),
    -- an owner never has the whole fleet, an operator no property at all
    CONSTRAINT person_scope CHECK (NOT (all_properties AND role IN ('owner', 'operator'))),
    CONSTRAINT person_language CHECK (language IN ('en', 'es')),
    CONSTRAINT person_units CHECK (units IN ('', 'us', 'si')),
    CONSTRAINT person_created_by CHECK (length(created_by) BETWEEN 1 AND 200)
);
COMMENT ON TABLE person IS 'local: people who sign in or are written to';
CREATE UNIQUE INDEX person_by_email ON person (lower(email)) WHERE email <> '' AND disabled_at IS NULL;

CREATE TABLE person_property (
    person_id   int4 NOT NULL REFERENCES person ON DELETE CASCADE,
    property_id int4 NOT NULL REFERENCES property,
    PRIMARY KEY (person_id, property_id)
);
COMMENT ON TABLE person_property IS 'local: which properties a person owns or is assigned';
CREATE INDEX person_property_people ON person_property (property_id);

-- +goose Down
DROP TABLE person_property, person;
