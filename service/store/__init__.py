"""The durable record (ledger, SQLite) and the history (DuckDB), which can be rebuilt from it."""
