-- The catalogue: which properties exist, how they are described, what they
-- measure and who may speak for them. Small, read into memory by every service.
--
-- Every table says in its comment how it would be spread over a distributed
-- Postgres: "by property" (property_id leads its primary key), "reference"
-- (copied everywhere) or "local" (stays on the coordinator).

-- +goose Up
CREATE TABLE property (
    property_id   int4 GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    name          text NOT NULL UNIQUE,
    title         text NOT NULL,
    area          text NOT NULL DEFAULT '',
    timezone      text NOT NULL,
    -- midnight of the day of installation in the property's own zone: nothing
    -- measured before it is accepted
    accepts_from  timestamptz NOT NULL,
    -- rises with every change of the description, series or gateways; services
    -- compare it with what they hold in memory
    revision      int4 NOT NULL DEFAULT 1,
    registered_at timestamptz NOT NULL DEFAULT now(),
    CONSTRAINT property_name_form CHECK (name ~ '^[a-z0-9][a-z0-9-]{0,39}$'),
    CONSTRAINT property_title_length CHECK (length(title) BETWEEN 1 AND 200),
    CONSTRAINT property_area_length CHECK (length(area) <= 200),
    CONSTRAINT property_timezone_length CHECK (length(timezone) BETWEEN 1 AND 64),
    CONSTRAINT property_accepts_from_range CHECK (accepts_from >= '2000-01-01 00:00:00+00' AND accepts_from < '2200-01-01 00:00:00+00'),
    CONSTRAINT property_revision_positive CHECK (revision > 0)
);
COMMENT ON TABLE property IS 'reference: one row per house';

-- Nothing is overwritten: a correction supersedes the version it corrects.
CREATE TABLE property_version (
    property_id    int4 NOT NULL REFERENCES property,
    version        int4 NOT NULL,
    effective_from date,                 -- NULL: from the start
    document       text NOT NULL,        -- the property file as it was given
    sha256         bytea NOT NULL,
    registered_at  timestamptz NOT NULL DEFAULT now(),
    registered_by  text NOT NULL,
    superseded_by  int4,
    PRIMARY KEY (property_id, version),
    CONSTRAINT property_version_positive CHECK (version > 0),
    CONSTRAINT property_version_later CHECK (superseded_by > version),
    CONSTRAINT property_version_sha256 CHECK (length(sha256) = 32),
    CONSTRAINT property_version_document CHECK (length(document) BETWEEN 1 AND 1048576),
    CONSTRAINT property_version_by CHECK (length(registered_by) BETWEEN 1 AND 200)
);
COMMENT ON TABLE property_version IS 'by property: its description from a day on';
CREATE UNIQUE INDEX property_version_in_force ON property_version
    (property_id, coalesce(effective_from, '-infinity'::date)) WHERE superseded_by IS NULL;

CREATE TABLE series (
    property_id int4 NOT NULL REFERENCES property,
    series_id   int2 NOT NULL,           -- dense from 0, never reused
    point       text NOT NULL,
    quantity    int2 NOT NULL,
    described   bool NOT NULL DEFAULT true, -- false: no version in force has it any more
    PRIMARY KEY (property_id, series_id),
    UNIQUE (property_id, point, quantity),
    CONSTRAINT series_id_range CHECK (series_id >= 0),
    CONSTRAINT series_point_form CHECK (point ~ '^[a-z0-9][a-z0-9-]{0,39}$'),
    CONSTRAINT series_quantity_positive CHECK (quantity > 0)
);
COMMENT ON TABLE series IS 'by property: one quantity at one point';

CREATE TABLE gateway (
    property_id   int4 NOT NULL REFERENCES property,
    gateway_id    int2 NOT NULL,         -- dense from 0, never reused
    name          text NOT NULL,
    secret_sha256 bytea NOT NULL,
    added_at      timestamptz NOT NULL DEFAULT now(),
    added_by      text NOT NULL,
    revoked_at    timestamptz,
    PRIMARY KEY (property_id, gateway_id),
    UNIQUE (property_id, name),
    CONSTRAINT gateway_id_range CHECK (gateway_id >= 0),
    CONSTRAINT gateway_name_form CHECK (name ~ '^[a-z0-9][a-z0-9-]{0,39}$'),
    CONSTRAINT gateway_secret_sha256 CHECK (length(secret_sha256) = 32),
    CONSTRAINT gateway_added_by CHECK (length(added_by) BETWEEN 1 AND 200)
);
COMMENT ON TABLE gateway IS 'by property: who may publish for it';

-- +goose Down
DROP TABLE gateway, series, property_version, property;
