-- The durable record. One transaction per batch writes the journal entry and all that follows from it.
CREATE TABLE journal (
    seq INTEGER PRIMARY KEY,            -- ascending without gaps
    committed_us INTEGER NOT NULL,      -- the service's clock at commit
    rows INTEGER NOT NULL,
    readings BLOB,                      -- Arrow IPC: see service/store/journal.py
    events TEXT                         -- JSON list of alarm changes, NULL when there are none
) STRICT;
CREATE TABLE unit (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE,          -- canonical = (value + shift) * numerator / denominator
    shift REAL NOT NULL,
    numerator REAL NOT NULL,
    denominator REAL NOT NULL
) STRICT;
CREATE TABLE point (
    id INTEGER PRIMARY KEY,
    collector TEXT NOT NULL,
    name TEXT NOT NULL,
    quantity TEXT NOT NULL,
    registered_us INTEGER NOT NULL,
    UNIQUE (collector, name)
) STRICT;
CREATE TABLE revision (
    number INTEGER PRIMARY KEY,
    at_us INTEGER NOT NULL,
    who TEXT NOT NULL,
    why TEXT NOT NULL,
    digest TEXT NOT NULL,
    differences TEXT NOT NULL,          -- JSON list of lines for people
    plant TEXT NOT NULL                 -- the plant as canonical JSON
) STRICT;
CREATE TABLE collector_state (
    collector TEXT PRIMARY KEY,
    seq INTEGER NOT NULL,               -- the journal entry that it includes
    body BLOB NOT NULL
) STRICT;
CREATE TABLE tips (
    only_one INTEGER PRIMARY KEY CHECK (only_one = 1),
    seq INTEGER NOT NULL,               -- last readings as of this entry; later ones are in the journal
    body BLOB NOT NULL
) STRICT;
CREATE TABLE gateway (
    id TEXT PRIMARY KEY,
    body TEXT NOT NULL                  -- JSON: link state, boot, sequence, silence
) STRICT;
CREATE TABLE alarm (
    id TEXT PRIMARY KEY,
    collector TEXT NOT NULL,
    point TEXT NOT NULL,                -- empty for a gateway's no-data alarm
    tier TEXT NOT NULL,
    priority TEXT NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('active', 'cleared', 'closed')),
    began_us INTEGER NOT NULL,
    raised_us INTEGER NOT NULL,
    cleared_us INTEGER,
    recorded_us INTEGER NOT NULL,       -- the service's clock at the commit that raised it
    reason TEXT NOT NULL,
    evidence TEXT NOT NULL              -- JSON, see rules.types.Evidence
) STRICT;
CREATE INDEX alarm_by_state ON alarm (state, raised_us);
CREATE TABLE alarm_change (
    alarm_id TEXT NOT NULL,
    change TEXT NOT NULL,
    at_us INTEGER NOT NULL,
    recorded_us INTEGER NOT NULL,
    PRIMARY KEY (alarm_id, change)
) STRICT, WITHOUT ROWID;
CREATE TABLE outbox (
    id INTEGER PRIMARY KEY,
    key TEXT NOT NULL UNIQUE,           -- alarm, step, contact, channel, address: the idempotency key
    alarm_id TEXT NOT NULL,
    channel TEXT NOT NULL,
    contact TEXT NOT NULL,
    address TEXT NOT NULL,
    step TEXT NOT NULL,
    body TEXT NOT NULL,                 -- JSON, see service.model.Told
    queued_us INTEGER NOT NULL,
    next_try_us INTEGER,                -- NULL once it is accepted or given up
    attempts INTEGER NOT NULL DEFAULT 0,
    state TEXT NOT NULL CHECK (state IN ('owed', 'accepted', 'given up')),
    done_us INTEGER,
    detail TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE INDEX outbox_due ON outbox (next_try_us) WHERE next_try_us IS NOT NULL;
CREATE INDEX outbox_by_alarm ON outbox (alarm_id);
CREATE TABLE quarantine (
    id INTEGER PRIMARY KEY,
    received_us INTEGER NOT NULL,
    topic TEXT NOT NULL,
    code TEXT NOT NULL,
    reason TEXT NOT NULL,
    size INTEGER NOT NULL,              -- of the whole payload; what is kept may be shorter
    payload BLOB NOT NULL
) STRICT;
CREATE TABLE tally (
    name TEXT PRIMARY KEY,
    count INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
