"""The streaming engine's answer over arrays of history, for one collector at a time.

Owns no state of its own: it moves a `rules.collector.CollectorState` forward by whole chunks, so a
replay can be cut anywhere, saved, and gone on with by the streaming engine. It must never decide
anything that the streaming engine would not.
"""

from rules.columnar.chunks import Column, replay

__all__ = ["Column", "replay"]
