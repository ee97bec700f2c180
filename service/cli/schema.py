"""`dustcake schema`: what a gateway must send."""

from __future__ import annotations

from service.cli.output import say_json


def schema() -> None:
    """Print the JSON Schema of the native message of a gateway."""
    from service.decode.native import json_schema  # noqa: PLC0415 - of the service, which --help does not need

    say_json(json_schema())
