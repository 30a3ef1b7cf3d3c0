-- The outbox: who is told what, over which channel, and what came of it. Its
-- uniqueness decides whether somebody has been told; the job queue only carries.

-- +goose Up
CREATE TABLE delivery (
    property_id  int4 NOT NULL,               -- 0: of no single property
    delivery_id  int8 GENERATED ALWAYS AS IDENTITY,
    subject      text NOT NULL,               -- what it is about: a call-out, an alarm, a day, a month
    round        int2 NOT NULL DEFAULT 0,     -- counts returns to normal of the subject
    purpose      text NOT NULL,
    level        int2 NOT NULL DEFAULT 0,     -- priority of the alarm it tells of; 0: of none
    step         int2 NOT NULL DEFAULT 0,     -- of the escalation; 0: the first people
    channel      text NOT NULL,
    recipient    text NOT NULL,               -- address, number, or webhook's id
    person_id    int4,
    audience     text NOT NULL DEFAULT 'company',
    content      jsonb NOT NULL DEFAULT '{}', -- what cannot be looked up when it is sent
    state        text NOT NULL DEFAULT 'waiting',
    created_at   timestamptz NOT NULL,
    due_at       timestamptz NOT NULL,
    expires_at   timestamptz NOT NULL,
    claimed_at   timestamptz,
    attempts     int4 NOT NULL DEFAULT 0,
    done_at      timestamptz,
    outcome      text NOT NULL DEFAULT '',    -- why it is as it is, for a person
    gathered_in  int8,                        -- the delivery that told of it among others
    link_used_at timestamptz,                 -- its link has acknowledged
    PRIMARY KEY (property_id, delivery_id),
    CONSTRAINT delivery_once UNIQUE (property_id, subject, round, purpose, level, step, channel, recipient),
    CONSTRAINT delivery_purpose CHECK (purpose IN ('alarm', 'return', 'correction', 'gathered', 'digest', 'summary',
        'weekly', 'sign-in', 'channel', 'test', 'event')),
    CONSTRAINT delivery_level CHECK (level BETWEEN 0 AND 4),
    CONSTRAINT delivery_channel CHECK (channel IN ('mail', 'text', 'webhook')),
    CONSTRAINT delivery_audience CHECK (audience IN ('owner', 'company')),
    CONSTRAINT delivery_state CHECK (state IN ('waiting', 'sending', 'sent', 'gathered', 'moot', 'dead')),
    CONSTRAINT delivery_done CHECK ((done_at IS NULL) = (state IN ('waiting', 'sending'))),
    CONSTRAINT delivery_claimed CHECK (state <> 'sending' OR claimed_at IS NOT NULL),
    CONSTRAINT delivery_lengths CHECK (length(subject) BETWEEN 1 AND 200 AND length(recipient) BETWEEN 1 AND 320 AND length(outcome) <= 1000)
) WITH (fillfactor = 80);
COMMENT ON TABLE delivery IS 'by property: the outbox, one row per thing told to one recipient over one channel';
CREATE INDEX delivery_newest ON delivery (created_at DESC, delivery_id DESC);
CREATE INDEX delivery_open ON delivery (due_at) WHERE state IN ('waiting', 'sending');
CREATE INDEX delivery_recent ON delivery (channel, recipient, done_at) WHERE state = 'sent' AND purpose = 'alarm';
CREATE INDEX delivery_dead ON delivery (done_at) WHERE state = 'dead';

CREATE TABLE delivery_attempt (
    property_id int4 NOT NULL,
    delivery_id int8 NOT NULL,
    attempt     int4 NOT NULL,
    begun_at    timestamptz NOT NULL,
    ended_at    timestamptz,
    -- unknown until it has ended: of an attempt that a crash cut short nobody
    -- knows whether the other side took it
    outcome     text NOT NULL DEFAULT 'unknown',
    detail      text NOT NULL DEFAULT '',
    PRIMARY KEY (property_id, delivery_id, attempt),
    FOREIGN KEY (property_id, delivery_id) REFERENCES delivery ON DELETE CASCADE,
    CONSTRAINT delivery_attempt_outcome CHECK (outcome IN ('unknown', 'sent', 'later', 'refused')),
    CONSTRAINT delivery_attempt_detail CHECK (length(detail) <= 1000)
);
COMMENT ON TABLE delivery_attempt IS 'by property: every attempt at a delivery';
CREATE INDEX delivery_attempt_begun ON delivery_attempt (begun_at);

-- Who is told: the newest document counts, the others are kept.
CREATE TABLE routing (
    routing_id int4 GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    document   text NOT NULL,
    set_at     timestamptz NOT NULL,
    set_by     text NOT NULL,
    CONSTRAINT routing_length CHECK (length(document) <= 262144),
    CONSTRAINT routing_by CHECK (length(set_by) BETWEEN 1 AND 200)
);
COMMENT ON TABLE routing IS 'local: who is told of what, newest last';

-- Addresses that asked not to be written to.
CREATE TABLE mail_stop (
    address    text PRIMARY KEY,
    stopped_at timestamptz NOT NULL,
    how        text NOT NULL,
    CONSTRAINT mail_stop_lower CHECK (address = lower(address) AND length(address) BETWEEN 3 AND 320)
);
COMMENT ON TABLE mail_stop IS 'local: addresses that want no mail but links to sign in';

CREATE TABLE webhook (
    webhook_id   int4 GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    name         text NOT NULL,
    url          text NOT NULL,
    secret       bytea NOT NULL,
    old_secret   bytea,                    -- signs too until it ends, so that the other side can change over
    old_until    timestamptz,
    created_at   timestamptz NOT NULL,
    created_by   text NOT NULL,
    disabled_at  timestamptz,
    disabled_why text NOT NULL DEFAULT '',
    CONSTRAINT webhook_name CHECK (length(name) BETWEEN 1 AND 200),
    CONSTRAINT webhook_url CHECK (length(url) BETWEEN 8 AND 2000),
    CONSTRAINT webhook_secret CHECK (length(secret) BETWEEN 24 AND 64 AND length(old_secret) BETWEEN 24 AND 64),
    CONSTRAINT webhook_old CHECK ((old_secret IS NULL) = (old_until IS NULL))
);
COMMENT ON TABLE webhook IS 'local: programs that are told of alarms';

-- +goose Down
DROP TABLE webhook, mail_stop, routing, delivery_attempt, delivery;
