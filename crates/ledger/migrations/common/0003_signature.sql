-- Signatures stand beside the entries they sign, so that entries written before there were keys
-- keep their hashes.

CREATE TABLE signature (
    seq       BIGINT PRIMARY KEY NOT NULL,
    key       TEXT NOT NULL,
    signature TEXT NOT NULL
);
