"""Pieces of TOML as text. Whatever comes from outside is made harmless: it can end no line and no quotes."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator
from textwrap import wrap
from typing import Any

WIDTH = 116
NEW_LINE = "\n"
_BARE = re.compile(r"[A-Za-z0-9_-]+")


def quoted(text: str) -> str:
    """A basic string. TOML wants one escape more than JSON: for DEL."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")


def block(text: str) -> str:
    """A string of several lines; what begins or ends none is as harmless as in `quoted`."""
    return f'"""\n{NEW_LINE.join(quoted(line)[1:-1] for line in text.split(NEW_LINE))}"""'


def key(text: str) -> str:
    return text if _BARE.fullmatch(text) else quoted(text)


def value(item: Any) -> str:
    """Texts, numbers, true and false, lists and tables of them."""
    if isinstance(item, bool):
        return "true" if item else "false"
    if isinstance(item, str):
        return quoted(item)
    if isinstance(item, list | tuple):
        return f"[{', '.join(value(each) for each in item)}]"
    if isinstance(item, dict):
        inner = ", ".join(f"{key(name)} = {value(each)}" for name, each in item.items())
        return f"{{ {inner} }}" if inner else "{}"
    return repr(item)


def comment(text: str, first: str = "# ", further: str = "#   ") -> Iterator[str]:
    """A comment in lines of readable length."""
    plain = "".join(each if each.isprintable() else " " for each in text)
    yield from wrap(plain, WIDTH, initial_indent=first, subsequent_indent=further, break_on_hyphens=False) or ["#"]


def comments(texts: Iterable[str]) -> Iterator[str]:
    for text in texts:
        yield from comment(text)
