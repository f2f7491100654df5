CREATE TABLE session (
    id INTEGER PRIMARY KEY,
    identity TEXT NOT NULL UNIQUE,
    -- Of the recordings and protocol alone, whatever the unit is called.
    ride TEXT NOT NULL
);
CREATE INDEX session_ride ON session (ride);

CREATE TABLE judgement (
    -- By order of adding; AUTOINCREMENT, so that no number is ever used twice.
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    session INTEGER NOT NULL REFERENCES session,
    newest INTEGER NOT NULL,
    added TEXT NOT NULL,
    verdict_sha256 TEXT NOT NULL UNIQUE,
    program TEXT NOT NULL,
    sheet_number TEXT NOT NULL COLLATE NOCASE,
    verdict TEXT,
    why TEXT NOT NULL,
    patterns TEXT NOT NULL,
    passed INTEGER NOT NULL,
    failed INTEGER NOT NULL,
    undecided INTEGER NOT NULL,
    not_ridden INTEGER NOT NULL,
    unit TEXT NOT NULL COLLATE NOCASE,
    serial TEXT COLLATE NOCASE,
    model TEXT COLLATE NOCASE,
    firmware TEXT COLLATE NOCASE,
    located TEXT NOT NULL,
    sides TEXT NOT NULL,
    protocol TEXT COLLATE NOCASE,
    revision TEXT,
    protocol_sha256 TEXT,
    tester TEXT COLLATE NOCASE,
    place TEXT COLLATE NOCASE,
    conditions TEXT NOT NULL,
    started TEXT NOT NULL,
    duration_s REAL NOT NULL,
    folder TEXT NOT NULL,
    verdict_file TEXT NOT NULL,
    session_file TEXT,
    session_sha256 TEXT
);
CREATE INDEX judgement_session ON judgement (session);
CREATE INDEX judgement_sheet ON judgement (sheet_number);
CREATE INDEX judgement_superseded ON judgement (unit) WHERE newest = 0;
-- All that is filtered by, for several filters at once and for none.
CREATE INDEX judgement_filters ON judgement (started, unit, model, firmware, protocol, tester, verdict) WHERE newest = 1;
CREATE INDEX judgement_unit ON judgement (unit, started) WHERE newest = 1;
CREATE INDEX judgement_model ON judgement (model, started) WHERE newest = 1;
CREATE INDEX judgement_firmware ON judgement (firmware, started) WHERE newest = 1;
CREATE INDEX judgement_protocol ON judgement (protocol, started) WHERE newest = 1;
CREATE INDEX judgement_tester ON judgement (tester, started) WHERE newest = 1;
CREATE INDEX judgement_verdict ON judgement (verdict, started) WHERE newest = 1;

-- The verdict file's bytes, gzip. A table of its own, so that questions don't read past them.
CREATE TABLE document (
    judgement INTEGER PRIMARY KEY REFERENCES judgement,
    gzip BLOB NOT NULL
);

-- What many sessions' checks have in common.
CREATE TABLE asked (
    id INTEGER PRIMARY KEY,
    kind TEXT NOT NULL,
    phase TEXT NOT NULL,
    measure TEXT NOT NULL,
    value_unit TEXT NOT NULL,
    limit_text TEXT NOT NULL,
    required INTEGER NOT NULL,
    UNIQUE (measure, phase, kind, value_unit, limit_text, required)
);

-- The tables below hold the newest judgement of each session only.
CREATE TABLE check_value (
    judgement INTEGER NOT NULL REFERENCES judgement,
    place INTEGER NOT NULL,
    asked INTEGER NOT NULL REFERENCES asked,
    repeat INTEGER,
    surplus INTEGER NOT NULL,
    value REAL,
    expanded_uncertainty REAL,
    coverage_factor REAL,
    limit_low REAL,
    limit_high REAL,
    conformance_probability REAL,
    verdict TEXT NOT NULL,
    censored INTEGER NOT NULL,
    reason TEXT,
    PRIMARY KEY (judgement, place)
) WITHOUT ROWID;
-- Few of many: what failed is asked for across all sessions.
CREATE INDEX check_failed ON check_value (asked) WHERE verdict = 'fail';

CREATE TABLE repeat (
    judgement INTEGER NOT NULL REFERENCES judgement,
    place INTEGER NOT NULL,
    phase TEXT NOT NULL,
    asked INTEGER NOT NULL,
    ridden INTEGER NOT NULL,
    failed INTEGER NOT NULL,
    undecided INTEGER NOT NULL,
    accept TEXT NOT NULL,
    fault_rate REAL,
    fault_rate_low REAL,
    fault_rate_high REAL,
    verdict TEXT NOT NULL,
    required INTEGER NOT NULL,
    reason TEXT,
    PRIMARY KEY (judgement, place)
) WITHOUT ROWID;

CREATE TABLE finding (
    judgement INTEGER NOT NULL REFERENCES judgement,
    place INTEGER NOT NULL,
    pattern TEXT NOT NULL,
    size REAL NOT NULL,
    size_unit TEXT NOT NULL,
    expanded_uncertainty REAL,
    says TEXT NOT NULL,
    -- Of the session: so that the latest of a pattern are found without sorting all.
    started TEXT NOT NULL,
    PRIMARY KEY (judgement, place)
) WITHOUT ROWID;
CREATE INDEX finding_pattern ON finding (pattern, started);

CREATE TABLE ring (
    judgement INTEGER NOT NULL REFERENCES judgement,
    place INTEGER NOT NULL,
    ring TEXT NOT NULL,
    blocks INTEGER NOT NULL,
    error_w REAL NOT NULL,
    expanded_uncertainty_w REAL NOT NULL,
    error_pct REAL NOT NULL,
    expanded_uncertainty_pct REAL NOT NULL,
    reference_w REAL NOT NULL,
    PRIMARY KEY (judgement, place)
) WITHOUT ROWID;

CREATE TABLE recording (
    judgement INTEGER NOT NULL REFERENCES judgement,
    place INTEGER NOT NULL,
    file TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    instrument TEXT NOT NULL,
    role TEXT NOT NULL,
    head_unit TEXT,
    recording_started TEXT NOT NULL,
    samples INTEGER NOT NULL,
    gaps INTEGER NOT NULL,
    PRIMARY KEY (judgement, place)
) WITHOUT ROWID;
CREATE INDEX recording_sha256 ON recording (sha256);

CREATE TABLE reference_instrument (
    judgement INTEGER NOT NULL REFERENCES judgement,
    place INTEGER NOT NULL,
    label TEXT NOT NULL COLLATE NOCASE,
    reference_located TEXT NOT NULL,
    reference_sides TEXT NOT NULL,
    reference_model TEXT,
    reference_serial TEXT,
    reference_firmware TEXT,
    uncertainty TEXT,
    certificate TEXT,
    mode TEXT,
    serves TEXT,
    started TEXT NOT NULL,
    PRIMARY KEY (judgement, place)
) WITHOUT ROWID;
CREATE INDEX reference_instrument_label ON reference_instrument (label, started);

CREATE TABLE reference_comparison (
    judgement INTEGER NOT NULL REFERENCES judgement,
    place INTEGER NOT NULL,
    first TEXT NOT NULL,
    second TEXT NOT NULL,
    difference_pct REAL NOT NULL,
    expanded_uncertainty_pct REAL NOT NULL,
    e_n REAL NOT NULL,
    consistent INTEGER NOT NULL,
    PRIMARY KEY (judgement, place)
) WITHOUT ROWID;

-- What the planner is to take for granted of a large register, in place of counting (ANALYZE): lines, then lines of one
-- value of the first column, of the first two, … So a unit is looked for before a verdict, and plans never change.
ANALYZE sqlite_schema;
INSERT INTO sqlite_stat1 (tbl, idx, stat) VALUES
    ('judgement', 'judgement_session', '100000 1'),
    ('judgement', 'judgement_sheet', '100000 1'),
    ('judgement', 'judgement_superseded', '10000 100'),
    ('judgement', 'judgement_unit', '100000 200 1'),
    ('judgement', 'judgement_tester', '100000 1000 1'),
    ('judgement', 'judgement_model', '100000 5000 1'),
    ('judgement', 'judgement_firmware', '100000 8000 1'),
    ('judgement', 'judgement_protocol', '100000 20000 1'),
    ('judgement', 'judgement_verdict', '100000 33000 1'),
    ('judgement', 'judgement_filters', '100000 1 1 1 1 1 1 1');

CREATE VIEW sessions AS
SELECT j.session, j.sheet_number, j.started, j.unit, j.serial, j.model, j.firmware, j.tester, j.protocol, j.revision,
       j.verdict, j.why, j.patterns, j.passed, j.failed, j.undecided, j.not_ridden, j.place, j.conditions, j.located,
       j.sides, j.duration_s, j.protocol_sha256, j.program, j.added,
       (SELECT count(*) FROM judgement o WHERE o.session = j.session) AS judgements,
       j.id AS judgement, j.folder, j.verdict_file, j.session_file
FROM judgement j WHERE j.newest = 1;

CREATE VIEW judgements AS
SELECT j.session, j.sheet_number, j.started, j.unit, j.serial, j.model, j.firmware, j.tester, j.protocol, j.revision,
       j.id AS judgement, j.newest, j.verdict, j.why, j.program, j.added, j.verdict_sha256, j.session_sha256
FROM judgement j;

CREATE VIEW checks AS
SELECT j.session, j.sheet_number, j.started, j.unit, j.serial, j.model, j.firmware, j.tester, j.protocol, j.revision,
       c.place, a.kind, a.phase, c.repeat, c.surplus, a.measure, c.value, a.value_unit, c.expanded_uncertainty,
       c.coverage_factor, c.limit_low, c.limit_high, c.conformance_probability, c.verdict, a.required, c.censored,
       nullif(a.limit_text, '') AS limit_text, c.reason
FROM judgement j JOIN check_value c ON c.judgement = j.id JOIN asked a ON a.id = c.asked WHERE j.newest = 1;

CREATE VIEW repeats AS
SELECT j.session, j.sheet_number, j.started, j.unit, j.serial, j.model, j.firmware, j.tester, j.protocol, j.revision,
       r.place, r.phase, r.asked, r.ridden, r.failed, r.undecided, r.accept, r.fault_rate, r.fault_rate_low, r.fault_rate_high,
       r.verdict, r.required, r.reason
FROM judgement j JOIN repeat r ON r.judgement = j.id WHERE j.newest = 1;

CREATE VIEW findings AS
SELECT j.session, j.sheet_number, f.started, j.unit, j.serial, j.model, j.firmware, j.tester, j.protocol, j.revision,
       f.place, f.pattern, f.size, f.size_unit, f.expanded_uncertainty, f.says
FROM finding f JOIN judgement j ON j.id = f.judgement WHERE j.newest = 1;

CREATE VIEW rings AS
SELECT j.session, j.sheet_number, j.started, j.unit, j.serial, j.model, j.firmware, j.tester, j.protocol, j.revision,
       r.place, r.ring, r.blocks, r.error_w, r.expanded_uncertainty_w, r.error_pct, r.expanded_uncertainty_pct, r.reference_w
FROM judgement j JOIN ring r ON r.judgement = j.id WHERE j.newest = 1;

CREATE VIEW recordings AS
SELECT j.session, j.sheet_number, j.started, j.unit, j.serial, j.model, j.firmware, j.tester, j.protocol, j.revision,
       r.place, r.file, r.sha256, r.instrument, r.role, r.head_unit, r.recording_started, r.samples, r.gaps
FROM judgement j JOIN recording r ON r.judgement = j.id WHERE j.newest = 1;

CREATE VIEW reference_instruments AS
SELECT j.session, j.sheet_number, r.started, j.unit, j.serial, j.model, j.firmware, j.tester, j.protocol, j.revision,
       r.place, r.label, r.reference_located, r.reference_sides, r.reference_model, r.reference_serial, r.reference_firmware,
       r.uncertainty, r.certificate, r.mode, r.serves
FROM judgement j JOIN reference_instrument r ON r.judgement = j.id WHERE j.newest = 1;

CREATE VIEW reference_comparisons AS
SELECT j.session, j.sheet_number, j.started, j.unit, j.serial, j.model, j.firmware, j.tester, j.protocol, j.revision,
       r.place, r.first, r.second, r.difference_pct, r.expanded_uncertainty_pct, r.e_n, r.consistent
FROM judgement j JOIN reference_comparison r ON r.judgement = j.id WHERE j.newest = 1;
