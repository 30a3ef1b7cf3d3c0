-- Who came in, how, and what they did.

-- +goose Up
-- Signed-in browsers. The cookie holds the secret, the table its hash.
CREATE TABLE session (
    session_id    int8 GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    secret_sha256 bytea NOT NULL UNIQUE,
    person_id     int4 REFERENCES person ON DELETE CASCADE,
    token_id      int4 REFERENCES token ON DELETE CASCADE,
    method        text NOT NULL,
    created_at    timestamptz NOT NULL,
    seen_at       timestamptz NOT NULL,          -- to the minute
    expires_at    timestamptz NOT NULL,          -- whatever is done until then
    ended_at      timestamptz,
    source        text NOT NULL DEFAULT '',
    agent         text NOT NULL DEFAULT '',      -- what the browser calls itself
    CONSTRAINT session_sha256 CHECK (length(secret_sha256) = 32),
    CONSTRAINT session_whose CHECK (num_nonnulls(person_id, token_id) = 1),
    CONSTRAINT session_method CHECK (method IN ('password', 'mail-link', 'openid', 'token')),
    CONSTRAINT session_expires CHECK (expires_at > created_at),
    CONSTRAINT session_lengths CHECK (length(source) <= 100 AND length(agent) <= 300)
);
COMMENT ON TABLE session IS 'local: signed-in browsers, as hashes only';
CREATE INDEX session_person ON session (person_id, created_at DESC);
CREATE INDEX session_expires ON session (expires_at);

-- Failed tries, by where they came from and whom they named: the delay grows for
-- that pair alone, so nobody can shut another person out.
CREATE TABLE sign_in_failure (
    source         text NOT NULL,
    account_sha256 bytea NOT NULL,
    failures       int4 NOT NULL,
    last_at        timestamptz NOT NULL,
    PRIMARY KEY (source, account_sha256),
    CONSTRAINT sign_in_failure_count CHECK (failures > 0),
    CONSTRAINT sign_in_failure_source CHECK (length(source) <= 100),
    CONSTRAINT sign_in_failure_account CHECK (length(account_sha256) = 32)
);
COMMENT ON TABLE sign_in_failure IS 'local: failed tries to sign in, by source and account';
CREATE INDEX sign_in_failure_last ON sign_in_failure (last_at);

CREATE TABLE sign_in_link (
    link_id       int8 GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    secret_sha256 bytea NOT NULL UNIQUE,
    person_id     int4 NOT NULL REFERENCES person ON DELETE CASCADE,
    created_at    timestamptz NOT NULL,
    expires_at    timestamptz NOT NULL,
    used_at       timestamptz,
    source        text NOT NULL DEFAULT '',
    CONSTRAINT sign_in_link_sha256 CHECK (length(secret_sha256) = 32),
    CONSTRAINT sign_in_link_expires CHECK (expires_at > created_at),
    CONSTRAINT sign_in_link_source CHECK (length(source) <= 100)
);
COMMENT ON TABLE sign_in_link IS 'local: one-time links sent by mail, as hashes only';
CREATE INDEX sign_in_link_person ON sign_in_link (person_id, created_at DESC);

-- Answers to writes that carried an Idempotency-Key, so that a repetition gets
-- the same answer and does nothing.
CREATE TABLE idempotency_key (
    principal      text NOT NULL,
    key            text NOT NULL,
    request_sha256 bytea NOT NULL,
    begun_at       timestamptz NOT NULL,
    status         int2,                          -- NULL: still at work
    content_type   text NOT NULL DEFAULT '',
    location       text NOT NULL DEFAULT '',
    body           bytea NOT NULL DEFAULT '',
    PRIMARY KEY (principal, key),
    CONSTRAINT idempotency_key_length CHECK (length(key) BETWEEN 1 AND 200),
    CONSTRAINT idempotency_key_principal CHECK (length(principal) BETWEEN 1 AND 100),
    CONSTRAINT idempotency_key_sha256 CHECK (length(request_sha256) = 32),
    CONSTRAINT idempotency_key_body CHECK (length(body) <= 1048576)
);
COMMENT ON TABLE idempotency_key IS 'local: answers to writes that may be repeated';
CREATE INDEX idempotency_key_begun ON idempotency_key (begun_at);

-- People stand in it by number alone.
CREATE TABLE audit_entry (
    audit_id int8 GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    at       timestamptz NOT NULL DEFAULT now(),
    actor    text NOT NULL,                       -- 'person 12', 'token 3', 'command line, root', 'nobody'
    action   text NOT NULL,
    object   text NOT NULL DEFAULT '',            -- 'person 12', 'property heron-07', 'gateway heron-07/gw1'
    outcome  text NOT NULL DEFAULT 'done',
    source   text NOT NULL DEFAULT '',            -- address it came from; '' : this machine
    detail   text NOT NULL DEFAULT '',
    CONSTRAINT audit_entry_actor CHECK (length(actor) BETWEEN 1 AND 200),
    CONSTRAINT audit_entry_action CHECK (action ~ '^[a-z][a-z-]{0,39}$'),
    CONSTRAINT audit_entry_outcome CHECK (outcome IN ('done', 'refused')),
    CONSTRAINT audit_entry_lengths CHECK (length(object) <= 200 AND length(source) <= 100 AND length(detail) <= 1000)
);
COMMENT ON TABLE audit_entry IS 'local: who came in and what they changed, append only';
CREATE INDEX audit_entry_object ON audit_entry (object, audit_id);
CREATE INDEX audit_entry_actor ON audit_entry (actor, audit_id);
CREATE TRIGGER audit_entry_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON audit_entry
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();

-- What a token may do of what its role may; NULL: all of it.
ALTER TABLE token ADD COLUMN actions text[];
ALTER TABLE token DROP CONSTRAINT token_role;
ALTER TABLE token ADD CONSTRAINT token_role CHECK (role IN ('manager', 'technician', 'owner', 'warranty', 'operator'));

-- A gateway has two slots, so that the old password still works while somebody
-- drives out to enter the new one.
CREATE TABLE gateway_credential (
    property_id    int4 NOT NULL,
    gateway_id     int2 NOT NULL,
    slot           int2 NOT NULL,
    secret_sha256  bytea NOT NULL,
    mosquitto_hash text NOT NULL DEFAULT '',      -- for an external broker; '' : issued before there was one
    issued_at      timestamptz NOT NULL DEFAULT now(),
    issued_by      text NOT NULL,
    expires_at     timestamptz,                   -- set when its successor is issued
    revoked_at     timestamptz,
    PRIMARY KEY (property_id, gateway_id, slot),
    FOREIGN KEY (property_id, gateway_id) REFERENCES gateway,
    CONSTRAINT gateway_credential_slot CHECK (slot IN (1, 2)),
    CONSTRAINT gateway_credential_sha256 CHECK (length(secret_sha256) = 32),
    CONSTRAINT gateway_credential_mosquitto CHECK (mosquitto_hash = '' OR mosquitto_hash ~ '^\$7\$[0-9]+\$[A-Za-z0-9+/=]+\$[A-Za-z0-9+/=]+$'),
    CONSTRAINT gateway_credential_by CHECK (length(issued_by) BETWEEN 1 AND 200)
);
COMMENT ON TABLE gateway_credential IS 'by property: MQTT passwords of gateways, as hashes only';
INSERT INTO gateway_credential (property_id, gateway_id, slot, secret_sha256, issued_at, issued_by, revoked_at)
    SELECT property_id, gateway_id, 1, secret_sha256, added_at, added_by, revoked_at FROM gateway WHERE kind = 'gateway';

-- +goose Down
DROP TABLE gateway_credential, audit_entry, idempotency_key, sign_in_link, sign_in_failure, session;
ALTER TABLE token DROP COLUMN actions;
