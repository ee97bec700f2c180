-- What its broker said of a quarantined message, where it said something: who published it, the proof that it needs to be
-- sent again; and that the broker had kept it, so that its arrival dates nothing.
CREATE TABLE brought (
    id INTEGER PRIMARY KEY,             -- the row's in quarantine
    publisher TEXT,
    retained INTEGER NOT NULL
) STRICT;
