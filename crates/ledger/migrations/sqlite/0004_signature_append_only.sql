CREATE TRIGGER signature_is_never_changed BEFORE UPDATE ON signature
BEGIN SELECT RAISE(ABORT, 'the ledger is append-only: corrections are new entries'); END;

CREATE TRIGGER signature_is_never_removed BEFORE DELETE ON signature
BEGIN SELECT RAISE(ABORT, 'the ledger is append-only: corrections are new entries'); END;
