"""Pure decisions about readings and limits. No I/O, no clock: time is always an argument."""
