"""`dustcake run`: hold the service until it is told to stop."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from service.cli.daemon import settings_path


def run(*, config: Annotated[Path | None, Parameter(env_var="DUSTCAKE_CONFIG")] = None) -> int:
    """Run the daemon until SIGTERM or Ctrl-C.

    Parameters
    ----------
    config
        Settings file; by default ./dustcake.toml, then /etc/dustcake/dustcake.toml.
    """
    path = settings_path(config)
    import service.config  # noqa: PLC0415 - the service itself, which --help does not need
    import service.process  # noqa: PLC0415 - likewise

    return service.process.run(service.config.load(path))
