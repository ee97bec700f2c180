"""`dustcake check`: find the faults of a plant file and a sources file before the daemon does."""

from __future__ import annotations

from pathlib import Path

from service.cli.output import say, say_json


def check(plant: Path, *, sources: Path | None = None, json: bool = False) -> None:
    """Check a plant file, and a sources file with it, without running anything.

    Parameters
    ----------
    plant
        The plant file.
    sources
        The sources file; its gateways and tags are held against the plant file.
    json
        Print JSON for programs.
    """
    from service.plant.file import load  # noqa: PLC0415 - of the service, which --help does not need

    loaded = load(plant)
    points = [point for collector in loaded.collector for point in collector.point]
    counts = {"collectors": len(loaded.collector), "points": len(points), "contacts": len(loaded.contact)}
    doubts: list[str] = []
    if sources is not None:
        from service.settings import Settings  # noqa: PLC0415 - likewise
        from service.sources.file import load as load_sources  # noqa: PLC0415
        from service.sourcing import doubts_of, intake_of  # noqa: PLC0415

        found = load_sources(sources)
        intake_of(Settings(), found, sources)
        counts["sources"] = len(found.source)
        doubts = doubts_of(found, loaded)
    if json:
        say_json({"plant": str(plant), "ok": True, **counts, "doubts": doubts})
        return
    say(f"{plant}: in order, " + ", ".join(f"{count} {name}" for name, count in counts.items()))
    for line in doubts:
        say(f"- {line}")
