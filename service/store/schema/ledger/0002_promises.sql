-- What the promise of nothing lost, nothing twice, nothing silent needs to keep on record.
-- CRC-32 of the entry, see service/store/journal.py; NULL in entries written before.
ALTER TABLE journal ADD COLUMN crc INTEGER;
ALTER TABLE quarantine ADD COLUMN state TEXT NOT NULL DEFAULT 'kept';  -- kept | redriven
ALTER TABLE quarantine ADD COLUMN settled_us INTEGER;                  -- when it was driven through again
CREATE INDEX quarantine_by_code ON quarantine (state, code);
-- Messages that a gateway numbered and that never came: first and last number, both missing.
CREATE TABLE gap (
    id INTEGER PRIMARY KEY,
    gateway TEXT NOT NULL,
    boot TEXT NOT NULL,
    first INTEGER NOT NULL,
    last INTEGER NOT NULL,
    noticed_us INTEGER NOT NULL,
    filled_us INTEGER                   -- when all of it had come after all; NULL while it is missing
) STRICT;
CREATE INDEX gap_by_gateway ON gap (gateway, filled_us);
-- What a person did to the record: who, when, what.
CREATE TABLE audit (
    id INTEGER PRIMARY KEY,
    at_us INTEGER NOT NULL,
    who TEXT NOT NULL,
    what TEXT NOT NULL,                 -- purge | redrive | restore...
    detail TEXT NOT NULL
) STRICT;
