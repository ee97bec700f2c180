"""Where the daemon is and how to ask it: address and token from the settings file or from options.

Reads only the [web] table, so that a person who may not read the other secrets can still ask. Never prints the token
but in the link that `status` is asked for.
"""

from __future__ import annotations

import ipaddress
import os
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from cyclopts import Parameter

from service.cli.failure import Exit, Failure

PLACES = (Path("dustcake.toml"), Path("/etc/dustcake/dustcake.toml"))
TIMEOUT_S = 20.0
# The daemon's own defaults.
DATA_DIR = "/var/lib/dustcake"
DEFAULTS: dict[str, Any] = {"host": "127.0.0.1", "port": 8470, "token_file": "{data_dir}/token"}


@Parameter(name="*")
@dataclass(frozen=True, slots=True)
class Reach:
    """How to reach the daemon."""

    config: Annotated[Path | None, Parameter(env_var="DUSTCAKE_CONFIG", help="Settings file of the daemon.")] = None
    url: Annotated[str | None, Parameter(help="Address of the daemon, instead of the one in the settings.")] = None
    token_file: Annotated[Path | None, Parameter(help="File with the token, instead of the one in the settings.")] = (
        None
    )


def settings_path(given: Path | None) -> Path:
    """The settings file: the one given, else the first of PLACES that exists. Failure when there is none."""
    if given is not None:
        if not given.is_file():
            raise Failure(Exit.USAGE, f"{given}: there is no such file; give the settings file with --config")
        return given
    for place in PLACES:
        if place.is_file():
            return place
    raise Failure(
        Exit.USAGE,
        f"no settings file at {' or '.join(map(str, PLACES))}; give one with --config or DUSTCAKE_CONFIG",
    )


class Daemon:
    """A running daemon, asked over HTTP. Every method raises Failure with a sentence that says what to do."""

    def __init__(self, url: str, token: str) -> None:
        self.url = url.rstrip("/")
        self._token = token

    @classmethod
    def at(cls, reach: Reach) -> Daemon:
        """The daemon that options and settings name. Failure when they do not suffice."""
        if reach.url is not None and reach.token_file is not None:
            return cls(reach.url, _token(reach.token_file))
        path = settings_path(reach.config)
        web = _web_table(path)
        token_file = reach.token_file or Path(web["token_file"])
        return cls(reach.url or _url(web["host"], web["port"]), _token(token_file))

    @property
    def page(self) -> str:
        """The link that opens the page, with the key in it."""
        return f"{self.url}/?key={self._token}"

    def get(self, path: str, **query: Any) -> Any:
        return self._ask("GET", path, params=query)

    def post(self, path: str, body: dict[str, Any]) -> Any:
        return self._ask("POST", path, json=body)

    def _ask(self, method: str, path: str, **parts: Any) -> Any:
        import httpx  # noqa: PLC0415 - not needed for --help

        try:
            answer = httpx.request(
                method,
                self.url + path,
                headers={"Authorization": f"Bearer {self._token}"},
                timeout=TIMEOUT_S,
                verify=self.url.startswith("https:"),  # else httpx reads all authorities for nothing, at each call
                trust_env=False,  # a proxy must not see the token
                **parts,
            )
        except (httpx.TransportError, httpx.InvalidURL) as error:
            raise Failure(
                Exit.UNREACHABLE,
                f"no daemon answers at {self.url} ({error}); start it with `dustcake run`, or give --url",
            ) from None
        if answer.is_error:
            raise Failure(Exit.REFUSED, _refusal(self.url, answer.status_code, answer.text))
        return answer.json()


def _refusal(url: str, status: int, text: str) -> str:
    import json  # noqa: PLC0415 - on errors only

    if status == 401:
        return f"the daemon at {url} does not accept the token; check that --token-file is the file of this daemon"
    try:
        detail = str(json.loads(text)["detail"])
    except (ValueError, KeyError, TypeError):
        detail = "it gave no reason; check that --url is the address of a dustcake daemon"
    return f"the daemon at {url} refused ({status}): {detail}"


def _web_table(path: Path) -> dict[str, Any]:
    """The [web] table with the overrides that the daemon itself would take from the environment."""
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise Failure(Exit.USAGE, f"{path}: cannot be read as TOML ({error}); correct the file") from None
    web = DEFAULTS | dict(table.get("web", {}))
    for name in ("host", "port", "token_file"):
        web[name] = os.environ.get(f"DUSTCAKE_WEB__{name.upper()}", web[name])
    data_dir = os.environ.get("DUSTCAKE_DATA_DIR", table.get("data_dir", DATA_DIR))
    web["token_file"] = str(web["token_file"]).replace("{data_dir}", str(data_dir))
    return web


def _url(host: str, port: object) -> str:
    """An address to connect to; a daemon that listens everywhere is asked on this computer."""
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return f"http://{host}:{port}"
    if address.is_unspecified:
        address = ipaddress.ip_address("127.0.0.1" if address.version == 4 else "::1")
    return f"http://[{address}]:{port}" if address.version == 6 else f"http://{address}:{port}"


def _token(path: Path) -> str:
    try:
        token = path.read_text(encoding="utf-8").strip()
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else "not text"
        raise Failure(
            Exit.USAGE, f"{path}: the token cannot be read ({reason}); give a readable file with --token-file"
        ) from None
    if not token:
        raise Failure(
            Exit.USAGE, f"{path}: the token file is empty; let the daemon write it, or write a long random text"
        )
    return token
