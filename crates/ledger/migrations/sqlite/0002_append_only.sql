-- Entries are added, never changed. The one part of the schema whose dialect is SQLite's own.

CREATE TRIGGER entry_is_never_changed BEFORE UPDATE ON entry
BEGIN SELECT RAISE(ABORT, 'the ledger is append-only: corrections are new entries'); END;

CREATE TRIGGER entry_is_never_removed BEFORE DELETE ON entry
BEGIN SELECT RAISE(ABORT, 'the ledger is append-only: corrections are new entries'); END;

CREATE TRIGGER mention_is_never_changed BEFORE UPDATE ON mention
BEGIN SELECT RAISE(ABORT, 'the ledger is append-only: corrections are new entries'); END;

CREATE TRIGGER mention_is_never_removed BEFORE DELETE ON mention
BEGIN SELECT RAISE(ABORT, 'the ledger is append-only: corrections are new entries'); END;

CREATE TRIGGER meta_is_never_changed BEFORE UPDATE ON meta
BEGIN SELECT RAISE(ABORT, 'the ledger is append-only: its identity does not change'); END;

CREATE TRIGGER meta_is_never_removed BEFORE DELETE ON meta
BEGIN SELECT RAISE(ABORT, 'the ledger is append-only: its identity does not change'); END;
