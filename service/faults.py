"""What is wrong with a configuration file, in words: file, key path, value, what was expected, remedy; one per line.

Owns the reading of TOML and the rewording of pydantic's errors. Never shows the value of a key that it does not know,
because a secret may stand there by mistake.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from service.model import BadConfiguration

VALUE_CHARACTERS = 80
Key = str | int


def read_toml(path: Path) -> dict[str, Any]:
    """The tables of a TOML file; BadConfiguration when it cannot be read, or with the line of the first mistake."""
    try:
        return tomllib.loads(path.read_text("utf-8"))
    except OSError as error:
        raise BadConfiguration(
            f"{path}: {error.strerror or error}; expected a readable TOML file; correct the path"
        ) from error
    except UnicodeDecodeError as error:
        raise BadConfiguration(f"{path}: byte {error.start} is not UTF-8; save the file as UTF-8") from error
    except tomllib.TOMLDecodeError as error:
        raise BadConfiguration(f"{path}: not TOML: {error}; correct that line") from error
    except ValueError as error:  # a whole number of thousands of digits
        raise BadConfiguration(f"{path}: {error}; expected a number of usual length; correct it") from error
    except RecursionError as error:
        raise BadConfiguration(f"{path}: brackets nested too deep; expected a few levels; correct it") from error


def refuse(path: Path | str, faults: Iterable[str]) -> None:
    """Raise BadConfiguration with one line per fault, each beginning with the file; do nothing without faults."""
    lines = [f"{path}: {fault}" for fault in faults]
    if lines:
        raise BadConfiguration("\n".join(lines))


def faults_of(error: ValidationError, model: type[BaseModel], data: Any) -> list[str]:
    """A line for each of pydantic's errors about `data`, which was to be a `model`."""
    return [fault_of(item, model, data) for item in error.errors(include_url=False)]


def fault_of(item: Any, model: type[BaseModel], data: Any) -> str:
    """One item of `ValidationError.errors()` as a line: key path, value, what was expected, remedy."""
    loc: tuple[Key, ...] = item["loc"]
    where = key_path(loc, data)
    if item["type"] == "extra_forbidden":
        return f"{where}: no such key; {_known(model, loc)}"
    if item["type"] == "missing":
        return f"{where}: missing; expected {_meaning(model, loc)}; add it"
    value = f" {_shown(item['input'])}" if isinstance(item["input"], str | int | float | bool) else ""
    if item["type"] == "value_error":
        return f"{where}: {item['ctx']['error']}"
    expected = str(item["msg"]).removeprefix("Input should be ")
    meaning = _meaning(model, loc)
    return f"{where}{value}: expected {expected}" + (f" ({meaning})" if meaning != "a value" else "") + "; correct it"


def key_path(loc: Sequence[Key], data: Any) -> str:
    """ "collector[quay/cutting/dc-1].point[dp].high.at": list items by their id or name, else by number from 1."""
    text = ""
    for key in loc:
        if isinstance(key, int):
            data = data[key] if isinstance(data, list) and key < len(data) else None
            named = (data.get("id") or data.get("name")) if isinstance(data, dict) else None
            text += f"[{named}]" if isinstance(named, str) else f"[{key + 1}]"
            continue
        if isinstance(data, dict) and key not in data and key in data.values():
            continue  # pydantic puts the kind of a tagged union into the path
        text += f".{key}" if text else key
        data = data.get(key) if isinstance(data, dict) else None
    return text or "the file"


def _known(model: type[BaseModel], loc: Sequence[Key]) -> str:
    """What could have been meant by the last key of `loc`."""
    keys = sorted({key for found in _models(model, loc[:-1]) for key in _fields(found)})
    near = get_close_matches(str(loc[-1]), keys, n=1)
    meant = f"write {near[0]}, or remove it" if near else "remove it"
    return f"expected one of {', '.join(keys)}; {meant}"


def _meaning(model: type[BaseModel], loc: Sequence[Key]) -> str:
    """The description of the field at `loc`, or "a value"."""
    if not loc or isinstance(loc[-1], int):
        return "a value"
    fields = (_fields(found).get(loc[-1]) for found in _models(model, loc[:-1]))
    return next((field.description for field in fields if field is not None and field.description), "a value")


def _models(model: type[BaseModel], loc: Sequence[Key]) -> list[type[BaseModel]]:
    """The models that stand at `loc` below `model`; several where the field is a union."""
    here: list[type[BaseModel]] = [model]
    for key in loc:
        if isinstance(key, str):
            below = [_fields(found)[key].annotation for found in here if key in _fields(found)]
            tagged = [found for found in here if "kind" in _fields(found) and _fields(found)["kind"].default == key]
            here = tagged or [inner for annotation in below for inner in _inside(annotation)] or here
    return here


def _inside(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [inner for part in get_args(annotation) for inner in _inside(part)]


def _fields(model: type[BaseModel]) -> dict[str, FieldInfo]:
    return {field.alias or name: field for name, field in model.model_fields.items()}


def _shown(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= VALUE_CHARACTERS else text[: VALUE_CHARACTERS - 3] + "..."
