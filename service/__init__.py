"""The daemon: receives readings, keeps the record, evaluates the rules and tells people."""
