-- What each verdict rests on.
CREATE TABLE premise (
    judgement INTEGER NOT NULL REFERENCES judgement,
    place INTEGER NOT NULL,
    premise TEXT NOT NULL,
    about TEXT NOT NULL,
    state TEXT NOT NULL,
    evidence TEXT NOT NULL,
    takes TEXT NOT NULL,
    -- Of the session: so that the latest of a premise are found without sorting all.
    started TEXT NOT NULL,
    PRIMARY KEY (judgement, place)
) WITHOUT ROWID;
CREATE INDEX premise_state ON premise (premise, state, started);

CREATE VIEW premises AS
SELECT j.session, j.sheet_number, p.started, j.unit, j.serial, j.model, j.firmware, j.tester, j.protocol, j.revision,
       p.place, p.premise, p.about, p.state, p.evidence, p.takes
FROM premise p JOIN judgement j ON j.id = p.judgement WHERE j.newest = 1;
