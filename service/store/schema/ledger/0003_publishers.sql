-- Who published a quarantined message, where its broker says so: the proof that it needs to be sent again.
CREATE TABLE publisher (
    id INTEGER PRIMARY KEY,             -- the row's in quarantine
    name TEXT NOT NULL
) STRICT;
