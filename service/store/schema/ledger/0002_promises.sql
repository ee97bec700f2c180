-- What the promise of nothing lost, nothing twice, nothing silent needs to keep on record.
-- Check value of the entry, see service/store/journal.py; NULL in entries written before.
ALTER TABLE journal ADD COLUMN crc INTEGER;
ALTER TABLE quarantine ADD COLUMN state TEXT NOT NULL DEFAULT 'kept';  -- kept | redriven
ALTER TABLE quarantine ADD COLUMN settled_us INTEGER;                  -- when it was driven through again
ALTER TABLE quarantine ADD COLUMN packet INTEGER NOT NULL DEFAULT 0;   -- the broker's identifier of the message
ALTER TABLE quarantine ADD COLUMN digest INTEGER NOT NULL DEFAULT 0;   -- CRC-32 of topic and kept payload, to find it
ALTER TABLE quarantine ADD COLUMN broker TEXT NOT NULL DEFAULT 'main';
CREATE INDEX quarantine_by_digest ON quarantine (digest);
CREATE INDEX quarantine_by_code ON quarantine (state, code);
-- Messages that a gateway numbered and that never came: first and last number, both missing.
CREATE TABLE gap (
    id INTEGER PRIMARY KEY,
    gateway TEXT NOT NULL,
    boot TEXT NOT NULL,                 -- empty when the gateway names none
    run INTEGER NOT NULL,               -- of the gateway's numbers, see rules/sequence.py
    first INTEGER NOT NULL,
    last INTEGER NOT NULL,
    noticed_us INTEGER NOT NULL,
    filled_us INTEGER                   -- when all of it had come after all; NULL while it is missing
) STRICT;
CREATE INDEX gap_by_gateway ON gap (gateway, filled_us);
CREATE TABLE sequence (
    gateway TEXT PRIMARY KEY,
    body TEXT NOT NULL                  -- JSON, see rules.sequence.Tracker; written when more than the last number changed
) STRICT;
CREATE TABLE sequence_tip (
    share INTEGER PRIMARY KEY,          -- of the gateways: a few dozen together, so that a batch writes few rows
    body TEXT NOT NULL                  -- JSON by gateway: last number and latest measurement of the last run in its body
) STRICT;
-- What a source's form or rules remember from one message to the next: aliases, counters.
CREATE TABLE source_state (
    source TEXT NOT NULL,
    key TEXT NOT NULL,
    body BLOB NOT NULL,
    PRIMARY KEY (source, key)
) STRICT;
-- What a person did to the record: who, when, what.
CREATE TABLE audit (
    id INTEGER PRIMARY KEY,
    at_us INTEGER NOT NULL,
    who TEXT NOT NULL,
    what TEXT NOT NULL,                 -- purge | redrive | restore...
    detail TEXT NOT NULL
) STRICT;
-- Notifications about stored data that wait in the outbox (with next_try_us NULL) to be told together.
CREATE TABLE held (
    id INTEGER PRIMARY KEY,             -- the row's in outbox
    lane TEXT NOT NULL,                 -- collector, contact, channel, address
    held_us INTEGER NOT NULL,           -- wall clock
    released_us INTEGER,                -- wall clock; NULL while it is held
    summary INTEGER                     -- the outbox row that tells it; NULL when it goes out as it is
) STRICT;
CREATE INDEX held_by_lane ON held (lane, held_us) WHERE released_us IS NULL;
CREATE INDEX held_by_summary ON held (summary) WHERE summary IS NOT NULL;
CREATE INDEX held_released ON held (lane, released_us) WHERE summary IS NOT NULL;
-- A check value for every row of every table but the journal, see service/store/seal.py.
CREATE TABLE seal (
    relation TEXT NOT NULL,
    key TEXT NOT NULL,                  -- the row's primary key
    crc INTEGER NOT NULL,
    PRIMARY KEY (relation, key)
) STRICT, WITHOUT ROWID;
-- What was found damaged, until a person has settled it.
CREATE TABLE damage (
    id INTEGER PRIMARY KEY,
    noticed_us INTEGER NOT NULL,        -- wall clock
    what TEXT NOT NULL UNIQUE,          -- the place: "journal 17", "outbox 4"
    detail TEXT NOT NULL,
    settled_us INTEGER                  -- NULL while health shows it
) STRICT;
