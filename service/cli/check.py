"""`dustcake check`: find the faults of settings, plant file and sources file before the daemon does."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from service.cli.daemon import settings_path
from service.cli.output import say, say_json


def check(
    plant: Path,
    *,
    sources: Path | None = None,
    config: Annotated[Path | None, Parameter(env_var="DUSTCAKE_CONFIG")] = None,
    json: bool = False,
) -> None:
    """Check a plant file, and a sources file and settings with it, without running or connecting anything.

    Certificates and passwords of the brokers are read: run it as the service's account, in its environment.

    Parameters
    ----------
    plant
        The plant file.
    sources
        The sources file, if not the one of the settings; its gateways and tags are held against the plant file.
    config
        The settings file, for the topics, the channels and the main broker; without it the defaults count.
    json
        Print JSON for programs.
    """
    from service.config import load as load_settings  # noqa: PLC0415 - of the service, which --help does not need
    from service.linking import links_of  # noqa: PLC0415 - likewise, and what follows
    from service.plant.checks import check_channels  # noqa: PLC0415
    from service.plant.file import load  # noqa: PLC0415
    from service.settings import Settings  # noqa: PLC0415
    from service.sources.file import load as load_sources  # noqa: PLC0415
    from service.sources.form import Sources  # noqa: PLC0415
    from service.sourcing import doubts_of, intake_of  # noqa: PLC0415

    loaded, settings = load(plant), Settings() if config is None else load_settings(settings_path(config))
    if config is not None:
        check_channels(loaded, set(settings.channels), str(plant))
    points = [point for collector in loaded.collector for point in collector.point]
    counts = {"collectors": len(loaded.collector), "points": len(points), "contacts": len(loaded.contact)}
    doubts: list[str] = []
    sources = sources or settings.sources
    found = Sources() if sources is None else load_sources(sources)
    links_of(settings, found, intake_of(settings, found, str(sources)))
    if sources is not None:
        counts["sources"] = len(found.source)
        doubts = doubts_of(found, loaded)
    if json:
        say_json({"plant": str(plant), "ok": True, **counts, "doubts": doubts})
        return
    say(f"{plant}: in order, " + ", ".join(f"{count} {name}" for name, count in counts.items()))
    for line in doubts:
        say(f"- {line}")
