-- What follows from the entries, kept up to date with them in the same transaction, so that
-- questions need not walk through all of them. Nothing here is evidence: it can be derived anew,
-- and verification does and compares.

CREATE INDEX entry_by_line ON entry (line, seq);
CREATE INDEX entry_by_author ON entry (author, seq);

CREATE TABLE derived (
    key   TEXT PRIMARY KEY NOT NULL,
    value TEXT NOT NULL
);

CREATE TABLE line (
    line  TEXT PRIMARY KEY NOT NULL,
    state TEXT NOT NULL
);

-- Every screening of every bar, with the bracket of checks it stands in.
CREATE TABLE screening (
    seq        BIGINT PRIMARY KEY NOT NULL,
    heat       TEXT NOT NULL,
    bar        TEXT NOT NULL,
    line       TEXT NOT NULL,
    time_us    BIGINT NOT NULL,
    document   TEXT NOT NULL,
    technique  TEXT NOT NULL,
    level      TEXT,
    program    TEXT,
    last_check BIGINT,
    bracket    TEXT NOT NULL,
    opening    BIGINT,
    closing    BIGINT,
    why        TEXT,
    why_seq    BIGINT
);
CREATE INDEX screening_by_bar ON screening (heat, bar, seq);
CREATE INDEX screening_by_line ON screening (line, seq);
CREATE INDEX screening_by_technique ON screening (technique, seq);
CREATE INDEX screening_by_level ON screening (level, seq);
CREATE INDEX screening_by_program ON screening (program, seq);
CREATE INDEX screening_by_opening ON screening (opening) WHERE bracket = 'open';
CREATE INDEX screening_by_cause ON screening (why_seq) WHERE why_seq IS NOT NULL;

CREATE TABLE bar (
    heat        TEXT NOT NULL,
    bar         TEXT NOT NULL,
    screening   BIGINT,
    judged      BIGINT,
    verdict     TEXT,
    kept        TEXT,
    rejected    BIGINT NOT NULL,
    judge_after BIGINT,
    retest      BIGINT,
    state       TEXT NOT NULL,
    PRIMARY KEY (heat, bar)
);
CREATE INDEX bar_held ON bar (heat, bar) WHERE state = 'held';
CREATE INDEX bar_by_screening ON bar (screening);

CREATE TABLE withdrawal (
    corrected BIGINT PRIMARY KEY NOT NULL,
    correction BIGINT NOT NULL,
    document  TEXT
);

CREATE TABLE ordered (
    number   TEXT NOT NULL,
    customer TEXT NOT NULL,
    heat     TEXT NOT NULL,
    seq      BIGINT NOT NULL,
    PRIMARY KEY (number, seq)
);
CREATE INDEX ordered_by_customer ON ordered (customer, seq);

CREATE TABLE technique (
    document TEXT NOT NULL,
    number   TEXT NOT NULL,
    name     TEXT NOT NULL,
    seq      BIGINT NOT NULL,
    PRIMARY KEY (number, seq)
);
CREATE INDEX technique_by_document ON technique (document);

CREATE TABLE piece (
    heat   TEXT NOT NULL,
    bar    TEXT NOT NULL,
    piece  TEXT NOT NULL,
    from_m DOUBLE PRECISION NOT NULL,
    to_m   DOUBLE PRECISION NOT NULL,
    seq    BIGINT NOT NULL,
    PRIMARY KEY (heat, bar, piece, seq)
);

-- A whole bar has no piece: empty.
CREATE TABLE shipped (
    heat     TEXT NOT NULL,
    bar      TEXT NOT NULL,
    piece    TEXT NOT NULL,
    delivery TEXT NOT NULL,
    customer TEXT NOT NULL,
    seq      BIGINT NOT NULL,
    PRIMARY KEY (heat, bar, piece, seq)
);

-- Where equipment was used: from one entry to another, or to now.
CREATE TABLE mounted (
    equipment TEXT NOT NULL,
    line      TEXT NOT NULL,
    place     TEXT NOT NULL,
    from_seq  BIGINT NOT NULL,
    to_seq    BIGINT,
    PRIMARY KEY (equipment, from_seq)
);
CREATE INDEX mounted_on_line ON mounted (line, place);
