"""The streaming engine's answer over arrays of history, for one collector or a whole plant.

Owns no state of its own: it moves a `rules.collector.CollectorState` forward by whole chunks, so a
replay can be cut anywhere, saved, and gone on with by the streaming engine. It must never decide
anything that the streaming engine would not.
"""

from rules.columnar.chunks import Column, replay
from rules.columnar.plant import History, replay_plant

__all__ = ["Column", "History", "replay", "replay_plant"]
