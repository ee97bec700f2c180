"""Units, instants and durations: exact tables and strict texts, shared by every room. Pure."""
