"""The settings: file, environment, defaults; and what is refused, with which words."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from pydantic import BaseModel

from service.config import load
from service.model import BadConfiguration
from service.settings import EmailChannelSettings, Section, Settings, WebhookChannelSettings

DEMO = Path(__file__).parents[2] / "deploy" / "demo" / "dustcake.toml"


@pytest.fixture(autouse=True)
def _no_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    import os  # noqa: PLC0415 - only to forget what the caller's shell has set

    for name in [name for name in os.environ if name.upper().startswith("DUSTCAKE_")]:
        monkeypatch.delenv(name)


def written(folder: Path, text: str) -> Path:
    path = folder / "dustcake.toml"
    path.write_text(text)
    return path


def refusal(folder: Path, text: str) -> str:
    with pytest.raises(BadConfiguration) as refused:
        load(written(folder, text))
    return str(refused.value)


MAIL = '[channels.mail]\nkind = "email"\nhost = "mail.example.com"\nsender = "a@alder-pike.example"\n'


# ---------------------------------------------------------------- what holds


def test_an_empty_file_gives_the_defaults(tmp_path: Path) -> None:
    found = load(written(tmp_path, ""))
    assert found == Settings()
    assert (found.name, found.data_dir, found.plant) == (
        "dustcake",
        Path("/var/lib/dustcake"),
        Path("/etc/dustcake/plant.toml"),
    )
    assert (found.broker.host, found.broker.port, found.broker.version) == ("127.0.0.1", 1883, 5)
    assert (found.intake.inbox_parcels, found.intake.batch_parcels, found.intake.batch_age_ms) == (20_000, 2000, 50.0)
    assert (found.intake.payload_bytes, found.intake.readings_per_message) == (262_144, 5000)
    assert (found.web.host, found.web.port) == ("127.0.0.1", 8470)
    assert found.channels == {}


def test_what_follows_from_name_and_folder_is_filled_in(tmp_path: Path) -> None:
    found = load(written(tmp_path, 'name = "north"\ndata_dir = "/srv/north"\n'))
    assert found.broker.client_id == "north"
    assert found.topics.service == "dustcake/v1/service/north/status"
    assert found.web.token_file == Path("/srv/north/token")
    own = load(written(tmp_path, '[broker]\nclient_id = "own"\n[web]\ntoken_file = "/run/token"\n'))
    assert (own.broker.client_id, own.web.token_file) == ("own", Path("/run/token"))


def test_a_channel_is_what_its_kind_says(tmp_path: Path) -> None:
    hook = '[channels.hook]\nkind = "webhook"\nurl = "https://hooks.example.com/x"\nsecret_file = "/run/secret"\n'
    found = load(written(tmp_path, MAIL + hook)).channels
    assert isinstance(found["mail"], EmailChannelSettings)
    assert (found["mail"].port, found["mail"].security) == (587, "starttls")
    assert isinstance(found["hook"], WebhookChannelSettings)
    assert found["hook"].secret_file == Path("/run/secret")


def test_the_environment_wins_over_the_file_value_by_value(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DUSTCAKE_NAME", "other")
    monkeypatch.setenv("DUSTCAKE_BROKER__PORT", "8883")
    monkeypatch.setenv("DUSTCAKE_BROKER__VERSION", "3")
    monkeypatch.setenv("DUSTCAKE_BROKER__TLS", "true")
    monkeypatch.setenv("DUSTCAKE_CHANNELS__MAIL__PORT", "2525")
    monkeypatch.setenv("DUSTCAKE_CLOCK__SPEED", "240")
    monkeypatch.setenv("DUSTCAKE_WEB__ALLOWED_HOSTS", '["plant.example"]')
    found = load(written(tmp_path, 'name = "one"\n[broker]\nhost = "b"\nport = 1884\n' + MAIL))
    assert (found.name, found.broker.host, found.broker.port, found.broker.version) == ("other", "b", 8883, 3)
    assert (found.broker.client_id, found.broker.tls) == ("other", True)
    mail = found.channels["mail"]
    assert isinstance(mail, EmailChannelSettings)
    assert (mail.port, mail.host) == (2525, "mail.example.com")
    assert (found.clock.speed, found.web.allowed_hosts) == (240.0, ["plant.example"])


def test_variables_that_are_no_settings_are_left_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("DUSTCAKE_CONFIG", "DUSTCAKE_TEST_BROKER", "DUSTCAKE_EXAMPLES"):
        monkeypatch.setenv(name, "x")
    assert load(written(tmp_path, "")) == Settings()


def test_the_demo_settings_are_right() -> None:
    found = load(DEMO)
    assert set(found.channels) == {"mail", "hook"}
    assert tomllib.loads(DEMO.read_text())["name"] == found.name


def test_settings_cannot_be_changed(tmp_path: Path) -> None:
    found = load(written(tmp_path, ""))
    with pytest.raises(ValueError, match="frozen"):
        found.broker.port = 1  # type: ignore[misc]
    with pytest.raises(ValueError, match="frozen"):
        found.name = "x"  # type: ignore[misc]


def _all_fields(model: type[BaseModel]) -> list[tuple[str, str | None, object]]:
    found: list[tuple[str, str | None, object]] = []
    for name, field in model.model_fields.items():
        if isinstance(field.default, Section):
            found += _all_fields(type(field.default))
        else:
            found.append((f"{model.__name__}.{name}", field.description, field.annotation))
    return found


@pytest.mark.parametrize(
    ("name", "description", "annotation"), _all_fields(Settings), ids=[one[0] for one in _all_fields(Settings)]
)
def test_every_setting_has_a_meaning_and_every_number_with_a_unit_names_it(
    name: str, description: str | None, annotation: object
) -> None:
    assert description
    if "second" in description or "hour" in description or "byte" in description:
        assert name.endswith(("_s", "_ms", "_h", "_bytes", "_mb", "_anchor")), name
    assert "secret" not in name.lower()
    assert "password" not in name or name.endswith("_file")
    assert annotation is not None


# ---------------------------------------------------------------- what is refused

REFUSED = [
    ("[broker]\nport = 0\n", "broker.port 0: expected greater than or equal to 1"),
    ('[broker]\nport = "x"\n', "broker.port 'x': expected a valid integer"),
    ("[broker]\nversion = 4\n", "broker.version 4: expected 5 or 3 (MQTT 5, or 3 for 3.1.1)"),
    ('[broker]\nhosts = "b"\n', "broker.hosts: no such key; expected one of alpn, ca_file, certificate_file"),
    ("[broker]\nsession_expiry_s = 0\n", "broker.session_expiry_s 0: expected greater than or equal to 3600"),
    ('[broker]\npassword_file = "p"\n', "broker: password_file without username"),
    ('[broker]\ntls = true\nkey_file = "k"\n', "broker: certificate_file and key_file: expected both or neither"),
    ('[broker]\nca_file = "c"\n', "broker: ca_file or certificate_file without tls"),
    ('[topics]\nreadings = "a/b"\n', "topics.readings: topic 'a/b': expected one level +"),
    ('[topics]\nreadings = "a/+/+"\n', "topics.readings: topic 'a/+/+': expected one level +"),
    ('[topics]\nreadings = "a/x+"\n', "topics.readings: topic 'a/x+': expected one level +"),
    ('[topics]\nstatus = "a/+/#"\n', "topics.status: topic 'a/+/#': expected one level +"),
    ('[topics]\nstatus = "dustcake/v1/+/readings"\n', "topics: readings and status are both"),
    ('[topics]\nservice = "a/+"\n', "topics.service: topic 'a/+': expected a topic to publish on"),
    (
        '[topics]\nservice = "dustcake/v1/me/status"\n',
        "topics: service 'dustcake/v1/me/status': expected a topic that status",
    ),
    ("[intake]\ninbox_parcels = 1\n", "intake.inbox_parcels 1: expected greater than or equal to 100"),
    ("[intake]\nfuture_s = nan\n", "intake.future_s nan: expected"),
    (
        "[notify]\nfirst_retry_s = 10\nlongest_retry_s = 5\n",
        "notify: first_retry_s 10: expected at most longest_retry_s (5)",
    ),
    ("[clock]\nspeed = 0\n", "clock.speed 0: expected greater than 0"),
    ('[log]\nlevel = "loud"\n', "log.level 'loud': expected 'debug', 'info', 'warning' or 'error'"),
    ('name = "No Good"\n', "name 'No Good': expected"),
    ("brokers = 1\n", "brokers: no such key; expected one of broker, channels, clock"),
    ('[channels.x]\nkind = "pager"\n', "channels.x"),
    ('[channels.x]\nhost = "h"\n', "channels.x"),
    (
        '[channels.mail]\nkind = "email"\nhost = "h"\n',
        "channels.mail.sender: missing; expected address that mails come from",
    ),
    (MAIL + 'username = "u"\n', "channels.mail: username and password_file: expected both or neither"),
    (MAIL + 'usename = "u"\n', "channels.mail.usename: no such key; expected one of ca_file, host"),
    (
        MAIL + 'username = "u"\npassword_file = "p"\nsecurity = "none"\n',
        'channels.mail: security "none" with a username would send the password readable',
    ),
    ('[channels.n]\nkind = "mqtt"\ntopic = "a/#"\n', "channels.n.topic: topic 'a/#': expected a topic to publish on"),
    ('[channels."My Mail"]\nkind = "log"\n', "channels"),
]


@pytest.mark.parametrize(("text", "line"), REFUSED, ids=[line for _, line in REFUSED])
def test_a_wrong_setting_is_refused_with_file_key_value_and_what_was_expected(
    tmp_path: Path, text: str, line: str
) -> None:
    assert f"dustcake.toml: {line}" in refusal(tmp_path, text)


def test_all_faults_come_in_one_go(tmp_path: Path) -> None:
    said = refusal(tmp_path, '[broker]\nport = 0\nhosts = "x"\n[clock]\nspeed = 0\n' + MAIL + "timeout_s = 0\n")
    assert len(said.splitlines()) == 4


def test_a_syntax_error_is_refused_with_its_line(tmp_path: Path) -> None:
    assert "line 2" in refusal(tmp_path, "[broker]\nport = = 1\n")


def test_a_secret_in_the_wrong_place_is_not_shown(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DUSTCAKE_BROKER__PASSWORD", "hush-1")
    said = refusal(tmp_path, MAIL + 'password = "hush-2"\n')
    assert "environment: broker.password: no such key" in said
    assert "write password_file" in said
    assert "hush" not in said


def test_a_wrong_value_from_the_environment_is_said_to_come_from_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("DUSTCAKE_CHANNELS__MAIL__PORT", "99999")
    monkeypatch.setenv("DUSTCAKE_BROKER__KEEPALIVE_S", "soon")
    said = refusal(tmp_path, MAIL + "[clock]\nspeed = 0\n").splitlines()
    assert [line.partition(":")[0] for line in said].count("environment") == 2
    assert any(line.startswith("environment: channels.mail.port '99999': expected less") for line in said)
    assert any("dustcake.toml: clock.speed 0" in line for line in said)


@pytest.mark.parametrize(
    ("variable", "remedy"),
    [
        ("DUSTCAKE_BROKER_HOST", "write DUSTCAKE_BROKER__HOST"),
        ("DUSTCAKE_WEB_PORT", "write DUSTCAKE_WEB__PORT"),
        ("DUSTCAKE_BROKR__HOST", "no such table; expected one of broker, topics"),
    ],
)
def test_a_variable_that_would_be_ignored_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, variable: str, remedy: str
) -> None:
    monkeypatch.setenv(variable, "x")
    said = refusal(tmp_path, "")
    assert said.startswith(f"environment: {variable}: ")
    assert remedy in said


def test_a_list_from_the_environment_must_be_json(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DUSTCAKE_WEB__ALLOWED_HOSTS", "a,b")
    said = refusal(tmp_path, "")
    assert said.startswith("environment: ")
    assert "JSON" in said
