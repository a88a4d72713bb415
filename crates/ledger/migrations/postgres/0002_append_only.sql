-- Entries are added, never changed: the same in PostgreSQL's dialect.

CREATE FUNCTION append_only() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'the ledger is append-only: corrections are new entries';
END $$;

CREATE TRIGGER entry_is_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON entry
EXECUTE FUNCTION append_only();
CREATE TRIGGER mention_is_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON mention
EXECUTE FUNCTION append_only();
CREATE TRIGGER meta_is_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON meta
EXECUTE FUNCTION append_only();
