"""Signals derived from readings: what a collector's points say together, or over time.

Each signal is a frozen specification, a state of plain values, and a `step` over event time; its twin in
`rules.signals.columnar` answers over whole histories as arrays. A signal never extrapolates: where the
readings do not carry it, it is unknown, with the reason. It is condition monitoring, never a safety function.
"""
