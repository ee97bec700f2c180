"""The kinds of values that settings have, each with what it must be like. Knows no setting."""

from __future__ import annotations

import re
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field


def _filter(text: str) -> str:
    """A topic filter in which one whole level is the gateway's id."""
    if text.split("/").count("+") != 1 or text.count("+") != 1 or "#" in text:
        raise ValueError(f"topic {text!r}: expected one level + for the gateway's id, and no #; correct it")
    return text


def _topic(text: str) -> str:
    if not text or set("+#\0") & set(text) or text.startswith("$"):
        raise ValueError(f"topic {text!r}: expected a topic to publish on, without + # and not from $; correct it")
    return text


def _fingerprint(text: str) -> str:
    """Small hexadecimal digits, from how tools print them: with colons, in capitals."""
    digits = text.replace(":", "").lower()
    if len(digits) != 64 or set(digits) - set("0123456789abcdef"):
        raise ValueError(f"fingerprint {text!r}: expected the 64 hexadecimal digits of a SHA-256; correct it")
    return digits


def _path(text: str) -> str:
    if not text.startswith("/") or not (text.isascii() and text.isprintable()) or set(text) & set(" #"):
        raise ValueError(f"path {text!r}: expected one that begins with /, in ASCII, without spaces or #; correct it")
    return text


def _variable(value: Any) -> Any:
    """Its own words, because others would show the value: by mistake the password itself may stand there."""
    if not isinstance(value, str) or not re.fullmatch(r"([A-Za-z_][A-Za-z0-9_]*)?", value, re.ASCII):
        raise ValueError("expected the name of an environment variable: ASCII letters, digits and _; correct it")
    return value


def whole(value: Any) -> Any:
    """The environment has texts only, and a choice among numbers does not take them."""
    return int(value) if isinstance(value, str) and value.isascii() and value.isdigit() else value


Port = Annotated[int, Field(ge=1, le=65_535)]
Text = Annotated[str, Field(min_length=1)]
Id = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]*$", max_length=64)]
ChannelName = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9_-]*$", max_length=64)]
Filter = Annotated[str, AfterValidator(_filter)]
Topic = Annotated[str, AfterValidator(_topic)]
Fingerprint = Annotated[str, AfterValidator(_fingerprint)]
WebPath = Annotated[str, AfterValidator(_path)]
Variable = Annotated[str, BeforeValidator(_variable)]
Protocol = Annotated[str, Field(pattern=r"^[!-~]{1,255}$")]  # RFC 7301, 3.1
Seconds = Annotated[float, Field(gt=0, le=86_400, allow_inf_nan=False)]
