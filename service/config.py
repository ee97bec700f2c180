"""Reads the settings file and the environment, once, at the start.

The environment overrides single values: DUSTCAKE_NAME, DUSTCAKE_BROKER__PORT, DUSTCAKE_CHANNELS__MAIL__PORT. Lists are
JSON there, and keys are in small letters. Never shows a secret, nor the value of a key that it does not know.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from pydantic_settings import EnvSettingsSource, SettingsError

from service.faults import fault_of, read_toml, refuse
from service.model import BadConfiguration
from service.settings import DELIMITER, PREFIX, Section, Settings


def load(path: Path) -> Settings:
    """The settings of a file and the environment; BadConfiguration with one line for every fault."""
    data = read_toml(path)
    refuse("environment", _misnamed(os.environ))
    try:
        return Settings(**data)
    except SettingsError as error:
        raise BadConfiguration(f"environment: {error}; expected JSON for a list or a table; correct it") from error
    except ValidationError as error:
        environment = EnvSettingsSource(Settings)()
        merged = _merged(data, environment)
        lines = [
            f"{_source(item['loc'], environment, path)}: {fault_of(item, Settings, merged)}"
            for item in error.errors(include_url=False)
        ]
        raise BadConfiguration("\n".join(lines)) from error


def _misnamed(environ: Mapping[str, str]) -> Iterator[str]:
    """Variables that look like settings and are none: a single underscore, or a table that does not exist.

    Others that begin with DUSTCAKE_ (such as DUSTCAKE_CONFIG, the path of the file) are not settings.
    """
    tables = [name for name, field in Settings.model_fields.items() if isinstance(field.default, Section | dict)]
    for variable in sorted(environ):
        if not variable.upper().startswith(PREFIX):
            continue
        rest = variable[len(PREFIX) :].lower()
        first = rest.partition(DELIMITER)[0]
        single = next((name for name in tables if first.startswith(f"{name}_")), None)
        if single is not None:
            meant = f"{PREFIX}{single}{DELIMITER}{rest[len(single) + 1 :]}".upper()
            yield f"{variable}: expected two underscores after the table; write {meant}"
        elif DELIMITER in rest and first not in tables:
            yield f"{variable}: no such table; expected one of {', '.join(tables)}; correct it or remove it"


def _merged(file: dict[str, Any], environment: dict[str, Any]) -> dict[str, Any]:
    found = dict(file)
    for key, value in environment.items():
        below = found.get(key)
        found[key] = _merged(below, value) if isinstance(below, dict) and isinstance(value, dict) else value
    return found


def _source(loc: tuple[str | int, ...], environment: dict[str, Any], path: Path) -> str:
    """Where the value at `loc` comes from: "environment", or the file."""
    here: Any = environment
    for key in loc:
        if isinstance(here, dict) and key in here:
            here = here[key]
        elif not (isinstance(here, dict) and key in ("email", "webhook", "mqtt", "log")):
            return str(path)
    return "environment" if here is not environment else str(path)
