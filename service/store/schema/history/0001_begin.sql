-- The history, rebuildable from the ledger's journal. No key index on readings: see DEVELOPERS.md.
-- The last journal entry that is in here, and when it was committed: a ledger restored from a backup has another
-- entry of that number, or none.
CREATE TABLE applied (seq BIGINT NOT NULL, committed_us BIGINT NOT NULL);
INSERT INTO applied VALUES (0, 0);
CREATE TABLE unit (id SMALLINT, name VARCHAR, shift DOUBLE, numerator DOUBLE, denominator DOUBLE);
CREATE TABLE point (id INTEGER, collector VARCHAR, name VARCHAR, quantity VARCHAR);
CREATE TABLE reading (
    point INTEGER NOT NULL,
    at_utc TIMESTAMP NOT NULL,       -- UTC event time
    value DOUBLE,                 -- canonical unit; NULL when the quality is bad and nothing was measured
    original DOUBLE,              -- as it was sent
    unit SMALLINT NOT NULL,       -- the unit it was sent in, with its factor
    good BOOLEAN NOT NULL,
    late BOOLEAN NOT NULL,        -- came when the point had been evaluated past it: stored, not evaluated
    seq BIGINT NOT NULL           -- the journal entry that brought it
);
CREATE TABLE alarm_change (
    alarm_id VARCHAR, collector VARCHAR, point VARCHAR, tier VARCHAR, change VARCHAR, at_utc TIMESTAMP,
    recorded_utc TIMESTAMP, seq BIGINT
);
CREATE VIEW readings AS
    SELECT p.collector, p.name AS point, p.quantity, r.at_utc, r.value, r.original, u.name AS unit, r.good, r.late
    FROM reading r JOIN point p ON p.id = r.point JOIN unit u ON u.id = r.unit;
