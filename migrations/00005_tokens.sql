-- +goose Up
CREATE TABLE token (
    token_id     int4 GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    secret_sha256 bytea NOT NULL UNIQUE,
    name         text NOT NULL,
    role         text NOT NULL,
    all_properties bool NOT NULL,        -- false: only those of token_property
    created_at   timestamptz NOT NULL DEFAULT now(),
    created_by   text NOT NULL,
    expires_at   timestamptz,
    revoked_at   timestamptz,
    last_used_at timestamptz,
    CONSTRAINT token_sha256 CHECK (length(secret_sha256) = 32),
    CONSTRAINT token_name CHECK (length(name) BETWEEN 1 AND 200),
    CONSTRAINT token_role CHECK (role IN ('manager', 'technician', 'owner', 'warranty')),
    CONSTRAINT token_created_by CHECK (length(created_by) BETWEEN 1 AND 200),
    CONSTRAINT token_expires CHECK (expires_at > created_at)
);
COMMENT ON TABLE token IS 'local: bearer tokens, as hashes only';

CREATE TABLE token_property (
    token_id    int4 NOT NULL REFERENCES token ON DELETE CASCADE,
    property_id int4 NOT NULL REFERENCES property,
    PRIMARY KEY (token_id, property_id)
);
COMMENT ON TABLE token_property IS 'local: what a token may see';

-- +goose Down
DROP TABLE token_property, token;
