"""What `check` says of settings, plant file and sources file: what the daemon would refuse is refused here."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from service.cli.app import run
from service.cli.failure import Exit

Said = pytest.CaptureFixture[str]
PLANT = Path(__file__).parents[3] / "deploy" / "demo" / "plant.toml"
SOURCE = '[[source]]\nname = "silo"\nform = "native"\ntopics = ["silo/{gateway}/readings"]\n'
CHANNELS = '[channels.mail]\nkind = "log"\n[channels.hook]\nkind = "log"\n'  # those of the demo's contacts
ANNEX = '[[broker]]\nname = "annex"\nhost = "127.0.0.1"\nclient_id = "a"\n'


@pytest.fixture(autouse=True)
def no_settings(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("DUSTCAKE_CONFIG", raising=False)


def written(folder: Path, name: str, text: str) -> str:
    (folder / name).write_text(text)
    return str(folder / name)


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ('username = "u"\npassword_file = "/nowhere"', "broker[annex].password_file /nowhere: No such file"),
        (
            'username = "u"\ncredential_variable = "NOT_THERE"',
            "broker[annex].credential_variable: the environment variable that it names is not set",
        ),
        ('tls = true\nca_file = "/nowhere"', "broker[annex].ca_file /nowhere"),
    ],
)
def test_a_file_of_a_broker_that_a_reload_refuses_is_refused(
    tmp_path: Path, capsys: Said, keys: str, said: str
) -> None:
    sources = written(tmp_path, "sources.toml", f'{ANNEX}{keys}\n{SOURCE}broker = "annex"\n')
    assert run(["check", str(PLANT), "--sources", sources]) == Exit.USAGE
    assert said in capsys.readouterr().err


def test_a_broker_is_not_connected_to(tmp_path: Path, capsys: Said) -> None:
    (tmp_path / "password").write_text("hush-hush")
    keys = f'port = 1\nusername = "u"\npassword_file = "{tmp_path}/password"\n'
    sources = written(tmp_path, "sources.toml", ANNEX + keys + SOURCE + 'broker = "annex"\n')
    assert run(["check", str(PLANT), "--sources", sources]) == Exit.OK
    said = capsys.readouterr()
    assert "1 sources" in said.out
    assert "hush" not in said.out + said.err


def test_topics_of_the_settings_take_part(tmp_path: Path, capsys: Said) -> None:
    sources = written(tmp_path, "sources.toml", SOURCE)
    clash = written(tmp_path, "clash.toml", f'[topics]\nreadings = "silo/+/readings"\n{CHANNELS}')
    assert run(["check", str(PLANT), "--sources", sources]) == Exit.OK
    capsys.readouterr()
    outcome = run(["check", str(PLANT), "--sources", sources, "--config", clash])
    assert outcome == Exit.USAGE
    assert "source[silo].topics 'silo/{gateway}/readings'" in capsys.readouterr().err


def test_faults_of_the_settings_are_named(tmp_path: Path, capsys: Said) -> None:
    config = written(tmp_path, "dustcake.toml", '[broker]\nhots = "x"\n')
    assert run(["check", str(PLANT), "--config", config]) == Exit.USAGE
    assert "broker.hots: no such key" in capsys.readouterr().err
    assert run(["check", str(PLANT), "--config", str(tmp_path / "none.toml")]) == Exit.USAGE
    assert "there is no such file" in capsys.readouterr().err


def test_files_of_the_main_broker_and_the_sources_that_the_settings_name_are_checked(
    tmp_path: Path, capsys: Said
) -> None:
    sources = written(tmp_path, "sources.toml", SOURCE)
    text = f'sources = "{sources}"\n[broker]\nusername = "u"\npassword_file = "{tmp_path}/password"\n'
    config = written(tmp_path, "dustcake.toml", text + CHANNELS)
    assert run(["check", str(PLANT), "--config", config]) == Exit.USAGE
    assert f"broker.password_file {tmp_path}/password: No such file" in capsys.readouterr().err
    (tmp_path / "password").write_text("hush")
    assert run(["check", str(PLANT), "--config", config, "--json"]) == Exit.OK
    assert json.loads(capsys.readouterr().out)["sources"] == 1


def test_a_contact_with_a_channel_that_the_settings_do_not_have_is_named(tmp_path: Path, capsys: Said) -> None:
    config = written(tmp_path, "dustcake.toml", "")
    assert run(["check", str(PLANT), "--config", config]) == Exit.USAGE
    assert "via channel 'mail': expected one of the settings" in capsys.readouterr().err
