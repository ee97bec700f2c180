"""The command line: one file per verb. Asks the running daemon over HTTP; only `run` holds the service itself."""
