-- What was agreed, for whom and from when, and outages that were reported.
-- Nothing here is ever changed: a verdict on an earlier period must stay what
-- it was.

-- +goose Up
CREATE TABLE warranty_terms (
    name           text NOT NULL,
    version        int4 NOT NULL,
    effective_from date,                 -- NULL: the first version, from the start
    document       text NOT NULL,
    sha256         bytea NOT NULL,
    added_at       timestamptz NOT NULL,
    added_by       text NOT NULL,
    PRIMARY KEY (name, version),
    CONSTRAINT warranty_terms_name CHECK (name ~ '^[a-z0-9][a-z0-9-]{0,39}$'),
    CONSTRAINT warranty_terms_version CHECK (version > 0 AND (version = 1 OR effective_from IS NOT NULL)),
    CONSTRAINT warranty_terms_document CHECK (length(document) BETWEEN 1 AND 65536),
    CONSTRAINT warranty_terms_sha256 CHECK (length(sha256) = 32),
    CONSTRAINT warranty_terms_by CHECK (length(added_by) BETWEEN 1 AND 200)
);
COMMENT ON TABLE warranty_terms IS 'local: versions of the company''s own sets of terms';

CREATE TABLE terms_assignment (
    property_id   int4 NOT NULL REFERENCES property,
    assignment_no int4 NOT NULL,
    from_day      date NOT NULL,         -- in the property's zone
    terms         text NOT NULL,         -- name of the set
    origin        text NOT NULL,
    assigned_at   timestamptz NOT NULL,
    assigned_by   text NOT NULL,
    PRIMARY KEY (property_id, assignment_no),
    CONSTRAINT terms_assignment_terms CHECK (terms ~ '^[a-z0-9][a-z0-9-]{0,39}$'),
    CONSTRAINT terms_assignment_origin CHECK (origin IN ('file', 'desk')),
    CONSTRAINT terms_assignment_by CHECK (length(assigned_by) BETWEEN 1 AND 200)
);
COMMENT ON TABLE terms_assignment IS 'by property: which terms hold from which day on';

CREATE TABLE outage (
    property_id int4 NOT NULL REFERENCES property,
    outage_no   int4 NOT NULL,
    from_at     timestamptz NOT NULL,
    to_at       timestamptz NOT NULL,
    note        text NOT NULL DEFAULT '',
    reported_at timestamptz NOT NULL,
    reported_by text NOT NULL,
    PRIMARY KEY (property_id, outage_no),
    CONSTRAINT outage_order CHECK (from_at < to_at AND to_at <= from_at + interval '90 days'),
    CONSTRAINT outage_text CHECK (length(note) <= 500 AND length(reported_by) BETWEEN 1 AND 200)
);
COMMENT ON TABLE outage IS 'by property: times without power from the grid, as reported';
CREATE INDEX outage_time ON outage (property_id, from_at);

CREATE TRIGGER warranty_terms_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON warranty_terms
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();
CREATE TRIGGER terms_assignment_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON terms_assignment
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();
CREATE TRIGGER outage_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON outage
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();

-- +goose Down
DROP TABLE outage, terms_assignment, warranty_terms;
