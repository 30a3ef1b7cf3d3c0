-- Row-level security, under the checks of the application: a forgotten WHERE
-- shows nothing rather than everything.
--
-- Whose rows a transaction may touch stands in the setting underkeep.properties:
-- 'all', or an array of property ids such as '{3,17}'. Where it is not set there
-- are no rows. It is forced, so it holds for the owner of the tables, too.
--
-- The roles underkeep_api, underkeep_ingest and underkeep_jobs own nothing and
-- cannot log in; the service's login role takes them on. They belong to the
-- whole cluster, and several databases may share them. Where the migrating role
-- may not create roles and nobody has, everything runs as that role: the
-- policies hold all the same, the grants do not (deploy/postgres/README.md).
--
-- protect_tables is called after every migration; it does what is still to be
-- done, so a new table needs no line here. What each role may do to which table
-- stands in store/protect.go.

-- +goose Up
-- +goose StatementBegin
CREATE FUNCTION protect_table(t regclass) RETURNS void LANGUAGE plpgsql AS $$
BEGIN
    IF (SELECT NOT relrowsecurity OR NOT relforcerowsecurity FROM pg_class WHERE oid = t) THEN
        EXECUTE format('ALTER TABLE %s ENABLE ROW LEVEL SECURITY, FORCE ROW LEVEL SECURITY', t);
    END IF;
    IF NOT EXISTS (SELECT FROM pg_policy WHERE polrelid = t AND polname = 'own_properties') THEN
        -- Each sub-select is worked out once a query, not once a row.
        EXECUTE format($p$
            CREATE POLICY own_properties ON %s USING (
                (SELECT current_setting('underkeep.properties', true) = 'all')
                OR property_id = ANY ((SELECT CASE WHEN current_setting('underkeep.properties', true) LIKE '{%%'
                    THEN current_setting('underkeep.properties', true)::int4[] END)::int4[]))$p$, t);
    END IF;
END $$;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE FUNCTION protect_tables() RETURNS void LANGUAGE plpgsql AS $$
DECLARE
    t regclass;
BEGIN
    -- partitions, too: reading one by its own name goes by its own policy
    FOR t IN
        SELECT c.oid FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace
        JOIN pg_attribute a ON a.attrelid = c.oid AND a.attname = 'property_id' AND NOT a.attisdropped
        WHERE n.nspname = 'public' AND c.relkind IN ('r', 'p') AND (NOT c.relrowsecurity OR NOT c.relforcerowsecurity
            OR NOT EXISTS (SELECT FROM pg_policy WHERE polrelid = c.oid AND polname = 'own_properties'))
        ORDER BY c.oid
    LOOP
        PERFORM protect_table(t);
    END LOOP;
END $$;
-- +goose StatementEnd

-- +goose StatementBegin
DO $$
DECLARE
    r text;
BEGIN
    -- the roles are the cluster's: another database may be making them right now
    PERFORM pg_advisory_xact_lock(hashtext('underkeep roles'));
    FOREACH r IN ARRAY ARRAY['underkeep_api', 'underkeep_ingest', 'underkeep_jobs'] LOOP
        IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = r) THEN
            BEGIN
                EXECUTE format('CREATE ROLE %I NOLOGIN', r);
                EXECUTE format('GRANT %I TO CURRENT_USER', r);
            EXCEPTION
                WHEN insufficient_privilege THEN
                    RAISE NOTICE 'role % is missing and % may not create it', r, current_user;
                WHEN duplicate_object OR unique_violation THEN
                    NULL; -- another database was first
            END;
        END IF;
    END LOOP;
END $$;
-- +goose StatementEnd
SELECT protect_tables();

-- +goose Down
DROP FUNCTION protect_tables, protect_table;
