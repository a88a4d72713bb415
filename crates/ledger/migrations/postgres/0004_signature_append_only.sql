CREATE TRIGGER signature_is_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON signature
EXECUTE FUNCTION append_only();
