-- The record. Plain SQL that SQLite and PostgreSQL both take: times are microseconds since
-- 1970-01-01 UTC, hashes are 64 hexadecimal digits, content is canonical JSON kept as the very
-- text that was hashed.

CREATE TABLE meta (
    key   TEXT PRIMARY KEY NOT NULL,
    value TEXT NOT NULL
);

-- UNIQUE on parent_hash: an entry has one child at most, so the chain cannot fork even where two
-- writers read the same head.
CREATE TABLE entry (
    seq          BIGINT PRIMARY KEY NOT NULL,
    time_us      BIGINT NOT NULL,
    author       TEXT NOT NULL,
    kind         TEXT NOT NULL,
    subject      TEXT NOT NULL,
    line         TEXT NOT NULL,
    content      TEXT NOT NULL,
    content_hash TEXT NOT NULL,
    parent_hash  TEXT NOT NULL UNIQUE,
    hash         TEXT NOT NULL UNIQUE
);

CREATE INDEX entry_by_kind ON entry (kind, seq);

-- What the content of an entry names (its document, the documents that was made from, heat, bar,
-- order), for look-up. It says nothing that content does not say, and verification compares.
CREATE TABLE mention (
    value TEXT NOT NULL,
    role  TEXT NOT NULL,
    seq   BIGINT NOT NULL,
    PRIMARY KEY (value, role, seq)
);

CREATE INDEX mention_by_seq ON mention (seq);
