"""`dustcake check`: find the faults of a plant file before the daemon does."""

from __future__ import annotations

from pathlib import Path

from service.cli.output import say, say_json


def check(plant: Path, *, json: bool = False) -> None:
    """Check a plant file without running anything.

    Parameters
    ----------
    plant
        The plant file.
    json
        Print JSON for programs.
    """
    from service.plant.file import load  # noqa: PLC0415 - of the service, which --help does not need

    loaded = load(plant)
    points = [point for collector in loaded.collector for point in collector.point]
    counts = {"collectors": len(loaded.collector), "points": len(points), "contacts": len(loaded.contact)}
    if json:
        say_json({"plant": str(plant), "ok": True, **counts})
    else:
        say(f"{plant}: in order, " + ", ".join(f"{count} {name}" for name, count in counts.items()))
