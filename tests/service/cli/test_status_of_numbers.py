"""`dustcake status` says which gateways have messages missing, and which do not number them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from service.cli.app import run
from service.cli.failure import Exit
from tests.service.cli.test_verbs import write_settings
from tests.service.web.client import serving
from tests.service.web.house import house
from tests.service.web.test_gaps import MISSING


def test_status_names_missing_messages_and_gateways_without_numbers(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    owner = house()
    owner.missing = [MISSING, MISSING | {"boot": "", "first": 30, "last": 30}]
    owner.missing += [MISSING | {"first": n, "last": n} for n in range(100, 110, 2)]
    with serving(owner) as server:
        settings = str(write_settings(tmp_path, server.port))
        assert run(["status", "--config", settings]) == Exit.OK
        said = capsys.readouterr().out
        assert (
            "messages of gw-cut-1: 16 missing (b41f 11-20, 30, b41f 100, b41f 102, b41f 104, and more)\n"
            "messages of gw-cut-2: not numbered, so that a lost one is not seen\n"
        ) in said
        assert run(["status", "--config", settings, "--json"]) == Exit.OK
        found = json.loads(capsys.readouterr().out)
        assert found["gateways"][0] == {"gateway": "gw-cut-1", "numbering": "numbered", "missing": 16}
        owner.missing = []
        run(["status", "--config", settings])
        assert "gw-cut-1" not in capsys.readouterr().out
