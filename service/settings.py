"""The settings of the daemon: names, defaults, limits and meanings. `service.config` reads them.

Builds nothing from them. A secret is never a setting: it stands in a file of its own, and the setting, `*_file`, is the
path of that; or in an environment variable, and the setting, `*_variable`, is its name. Relative paths are relative to
the folder that the daemon is started in.
"""

from __future__ import annotations

from collections.abc import Iterator
from ipaddress import ip_address
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict

from service.values import (
    ChannelName,
    Filter,
    Fingerprint,
    Id,
    Port,
    Protocol,
    Seconds,
    Text,
    Topic,
    Variable,
    WebPath,
    whole,
)

PREFIX, DELIMITER = "DUSTCAKE_", "__"
WEBSOCKET_PATH = "/mqtt"


def _matches(pattern: str, topic: str) -> bool:
    """Whether a filter with + alone matches a topic."""
    levels, parts = pattern.split("/"), topic.split("/")
    return len(levels) == len(parts) and all(level in ("+", part) for level, part in zip(levels, parts, strict=True))


def _is_this_computer(host: str) -> bool:
    """Whether what is sent to it stays here: a loopback address, or the name of one."""
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host.lower() == "localhost"


class Section(BaseModel):
    """A table of the settings file; unknown keys are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class BrokerSettings(Section):
    """The MQTT broker, and how to reach it."""

    host: Text = Field("127.0.0.1", description="name or address of the broker")
    port: Port = Field(1883, description="8883 is usual with TLS")
    version: Annotated[Literal[5, 3], BeforeValidator(whole)] = Field(5, description="MQTT 5, or 3 for 3.1.1")
    client_id: Text | None = Field(
        None,
        description="name of the broker's session, if not the service's: keep it, or what waited at the broker is lost",
        examples=["dustcake"],
    )
    username: Text | None = Field(None, description="name of the account at the broker", examples=["dustcake"])
    password_file: Path | None = Field(
        None, description="file with the account's password", examples=["/etc/dustcake/broker-password"]
    )
    credential_variable: Variable = Field(
        "", description="in place of password_file, the name of an environment variable with the account's password"
    )
    transport: Literal["tcp", "websockets"] = Field("tcp", description="tcp, or websockets; with tls, both encrypted")
    path: WebPath = Field(WEBSOCKET_PATH, description="path of the WebSocket")
    tls: bool = Field(
        False, description="TLS 1.2 or newer, and verify the broker's certificate; leave false on loopback only"
    )
    ca_file: Path | None = Field(
        None, description="authorities to trust in place of the system's, PEM", examples=["/etc/dustcake/ca.pem"]
    )
    certificate_sha256: list[Fingerprint] = Field(
        [],
        max_length=10,
        description="the broker's own certificate must also be one of these: SHA-256 fingerprints, hexadecimal",
    )
    alpn: list[Protocol] = Field(
        [], max_length=10, description='protocols to name in the TLS handshake, such as "mqtt" at a shared port 443'
    )
    certificate_file: Path | None = Field(
        None, description="certificate of this client, PEM", examples=["/etc/dustcake/client.pem"]
    )
    key_file: Path | None = Field(
        None, description="key of this client's certificate, PEM", examples=["/etc/dustcake/client.key"]
    )
    identity_property: Text | None = Field(
        None,
        description="MQTT 5 user property in which the broker says who published, and which no publisher can set: "
        "messages that are not of their own gateway are refused",
        examples=["publisher"],
    )
    keepalive_s: int = Field(60, ge=5, le=65_535, description="seconds after which a dead connection is noticed")
    session_expiry_s: int = Field(
        604_800,
        ge=3600,
        le=0xFFFFFFFE,
        description="seconds that the broker keeps messages for an absent daemon (MQTT 5)",
    )
    receive_maximum: int = Field(
        8000, ge=1, le=65_535, description="messages that may be on their way unacknowledged (MQTT 5)"
    )
    reconnect_longest_s: Seconds = Field(30.0, description="longest wait, in seconds, between attempts to connect")

    @model_validator(mode="after")
    def _belong_together(self) -> BrokerSettings:
        for text in self._clashes():
            raise ValueError(text)
        return self

    def _clashes(self) -> Iterator[str]:
        """What does not go together, in words."""
        given = {key for key in type(self).model_fields if getattr(self, key)}
        for key in sorted(given & {"password_file", "credential_variable"}):
            if self.username is None:
                yield f"{key} without username: expected both or neither; add username"
            if not self.tls and not _is_this_computer(self.host):
                yield f"{key} without tls would send the password readable; set tls = true"
        if given >= {"password_file", "credential_variable"}:
            yield "password_file and credential_variable: expected one of them; remove the other"
        if len(given & {"certificate_file", "key_file"}) == 1:
            yield "certificate_file and key_file: expected both or neither; add the other"
        if not self.tls and given & {"ca_file", "certificate_file"}:
            yield "ca_file or certificate_file without tls: expected tls = true; set it, or remove the file"
        for key in () if self.tls else sorted(given & {"certificate_sha256", "alpn"}):
            yield f"{key} without tls: expected tls = true; set it, or remove {key}"
        if self.path != WEBSOCKET_PATH and self.transport == "tcp":
            yield f'path {self.path!r} without a WebSocket: expected transport = "websockets"; set it, or remove path'
        if self.identity_property and self.version != 5:
            yield "identity_property with version 3: expected MQTT 5, which has user properties; set version = 5"


class TopicSettings(Section):
    """Where gateways publish, and where the service says that it is there."""

    readings: Filter = Field("dustcake/v1/+/readings", description="+ is the gateway's id")
    status: Filter = Field(
        "dustcake/v1/+/status", description="births and last wills of gateways; + is the gateway's id"
    )
    service: Topic = Field(
        "dustcake/v1/service/{name}/status", description="the service's own status, retained; {name} is its name"
    )
    heartbeat: Topic = Field(
        "dustcake/v1/service/{name}/heartbeat", description="the service's heartbeat, not retained; {name} is its name"
    )

    @model_validator(mode="after")
    def _are_apart(self) -> TopicSettings:
        if self.readings == self.status:
            raise ValueError(f"readings and status are both {self.status!r}: expected two topics; change one")
        for key, topic in (("readings", self.readings), ("status", self.status)):
            for own in ("service", "heartbeat"):
                if _matches(topic, getattr(self, own)):
                    raise ValueError(
                        f"{own} {getattr(self, own)!r}: expected a topic that {key} does not match; change it"
                    )
        return self


class IntakeSettings(Section):
    """How much may wait, and how much one ledger transaction carries."""

    inbox_parcels: int = Field(
        20_000, ge=100, le=1_000_000, description="messages that may wait; beyond it, the broker keeps them"
    )
    batch_parcels: int = Field(2000, ge=1, le=100_000, description="messages at most in one transaction")
    batch_age_ms: float = Field(50.0, ge=0, le=10_000, description="milliseconds that a message may wait for others")
    payload_bytes: int = Field(
        262_144, ge=1024, le=16_777_216, description="bytes of one message; longer ones are refused"
    )
    readings_per_message: int = Field(5000, ge=1, le=100_000, description="readings in one message; more are refused")
    future_s: float = Field(60.0, ge=0, le=86_400, description="seconds that a reading may be ahead of this clock")
    quarantine_days: int = Field(
        90, ge=0, le=36_500, description="days that a message which could not be used is kept; 0 is for ever"
    )


class HistorySettings(Section):
    """The store that trends and reports are asked of. The ledger, beside it, is the record."""

    memory_mb: int = Field(1024, ge=256, le=1_048_576, description="megabytes for the history's own buffers")


class NotifySettings(Section):
    """How the outbox is worked off. A notification stays owed until its channel accepts it, or it is given up."""

    first_retry_s: Seconds = Field(
        5.0, description="seconds before the first retry; each further one waits twice as long"
    )
    longest_retry_s: Seconds = Field(3600.0, description="longest wait, in seconds, between two attempts")
    give_up_after_h: float = Field(75.0, ge=0, le=8784, description="hours after which a notification may be given up")
    least_attempts: int = Field(8, ge=1, le=1000, description="attempts before it may be given up")
    workers: int = Field(4, ge=1, le=64, description="sends at the same time on one channel")
    stored_quiet_s: float = Field(
        20.0,
        ge=0,
        le=600,
        description="seconds without a further one after which alarms found in stored data are told, together",
    )
    stored_longest_s: float = Field(
        600.0, ge=1, le=600, description="longest wait, in seconds, of an alarm found in stored data"
    )

    @model_validator(mode="after")
    def _grow(self) -> NotifySettings:
        if self.first_retry_s > self.longest_retry_s:
            raise ValueError(
                f"first_retry_s {self.first_retry_s:g}: expected at most longest_retry_s ({self.longest_retry_s:g})"
                "; lower it"
            )
        return self


class WebSettings(Section):
    """The page and the HTTP interface. It has no encryption of its own: beyond this computer, put a proxy before it."""

    host: Text = Field("127.0.0.1", description="address to listen on; 0.0.0.0 is every one")
    port: int = Field(8470, ge=0, le=65_535, description="0 takes a free one")
    token_file: Path | None = Field(
        None,
        description="file with the access token, if not token in data_dir; made when it is missing",
        examples=["/var/lib/dustcake/token"],
    )
    allowed_hosts: list[Text] = Field(
        ["127.0.0.1", "localhost"], min_length=1, description="names under which browsers may ask"
    )


class ClockSettings(Section):
    """Plant time is plant_anchor + (wall time - wall_anchor) x speed. For demonstrations; leave it out on a plant."""

    speed: float = Field(1.0, gt=0, le=100_000, allow_inf_nan=False, description="1 is real time")
    wall_anchor: float = Field(0.0, ge=0, le=253_402_300_799, description="Unix time, in seconds")
    plant_anchor: float = Field(0.0, ge=0, le=253_402_300_799, description="Unix time, in seconds")

    @property
    def numbers(self) -> tuple[float, float, float]:
        return self.speed, self.wall_anchor, self.plant_anchor


class WatchSettings(Section):
    """How the service watches itself, so that it says by itself when it cannot do its work."""

    heartbeat_s: float = Field(30.0, ge=1, le=3600, description="seconds between two heartbeats on topics.heartbeat")
    stalled_after_s: float = Field(
        30.0, ge=25, le=3600, description="seconds without a turn of the pipeline after which it counts as stuck"
    )


class LogSettings(Section):
    """What the daemon writes to its standard output. Never a secret, never a token."""

    level: Literal["debug", "info", "warning", "error"] = Field("info", description="debug, info, warning or error")
    form: Literal["json", "text"] = Field("json", description="json for programs, text for people")


class EmailChannelSettings(Section):
    """Mail over SMTP. Contacts name the address with `to`."""

    kind: Literal["email"] = "email"
    host: Text = Field(description="mail server", examples=["mail.example.com"])
    port: Port = Field(587, description="587 for starttls, 465 for tls")
    security: Literal["starttls", "tls", "none"] = Field(
        "starttls", description="starttls, tls, or none on loopback only"
    )
    username: Text | None = Field(None, description="name of the account at the mail server", examples=["dustcake"])
    password_file: Path | None = Field(
        None, description="file with the account's password", examples=["/etc/dustcake/mail-password"]
    )
    ca_file: Path | None = Field(
        None, description="authorities to trust in place of the system's, PEM", examples=["/etc/dustcake/ca.pem"]
    )
    sender: Text = Field(description="address that mails come from", examples=["dustcake@example.com"])
    timeout_s: Seconds = Field(30.0, description="seconds for one mail")

    @model_validator(mode="after")
    def _belong_together(self) -> EmailChannelSettings:
        if (self.username is None) != (self.password_file is None):
            raise ValueError("username and password_file: expected both or neither; add the other")
        if self.username is not None and self.security == "none":
            raise ValueError(
                'security "none" with a username would send the password readable; use "starttls" or "tls"'
            )
        return self


class WebhookChannelSettings(Section):
    """An HTTP endpoint, after Standard Webhooks."""

    kind: Literal["webhook"] = "webhook"
    url: Text = Field(description="where to post", examples=["https://hooks.example.com/dustcake"], repr=False)
    secret_file: Path | None = Field(
        None, description="file with the signing secret, whsec_...", examples=["/etc/dustcake/hook-secret"]
    )
    allow_private: bool = Field(True, description="whether the endpoint may be on a private network")
    ca_file: Path | None = Field(
        None, description="authorities to trust in place of the system's, PEM", examples=["/etc/dustcake/ca.pem"]
    )
    timeout_s: Seconds = Field(20.0, description="seconds for one request")


class MqttChannelSettings(Section):
    """A topic of the same broker. News for other programs, never a command to equipment."""

    kind: Literal["mqtt"] = "mqtt"
    topic: Topic = Field(description="topic to publish on", examples=["dustcake/v1/notifications"])
    timeout_s: Seconds = Field(15.0, description="seconds for the broker's acknowledgement")


class LogChannelSettings(Section):
    """The daemon's own log."""

    kind: Literal["log"] = "log"


Channel = Annotated[
    EmailChannelSettings | WebhookChannelSettings | MqttChannelSettings | LogChannelSettings,
    Field(discriminator="kind"),
]


class Settings(BaseSettings):
    """All settings. Once made, broker.client_id, topics.service and web.token_file are always filled in."""

    model_config = SettingsConfigDict(
        env_prefix=PREFIX, env_nested_delimiter=DELIMITER, extra="forbid", frozen=True, hide_input_in_errors=True
    )

    name: Id = Field("dustcake", description="name of this service; small letters, digits and hyphens")
    data_dir: Path = Field(
        Path("/var/lib/dustcake"), description="folder of the ledger and the history, on a local disk"
    )
    plant: Path = Field(Path("/etc/dustcake/plant.toml"), description="the plant file")
    sources: Path | None = Field(
        None,
        description="the sources file, for other topics and payload forms",
        examples=["/etc/dustcake/sources.toml"],
    )
    broker: BrokerSettings = BrokerSettings()
    topics: TopicSettings = TopicSettings()
    intake: IntakeSettings = IntakeSettings()
    history: HistorySettings = HistorySettings()
    notify: NotifySettings = NotifySettings()
    web: WebSettings = WebSettings()
    clock: ClockSettings = ClockSettings()
    watch: WatchSettings = WatchSettings()
    log: LogSettings = LogSettings()
    channels: dict[ChannelName, Channel] = Field({}, description="ways to tell people, by the name that contacts use")

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],  # noqa: ARG003 - the library's signature
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,  # noqa: ARG003 - the library's signature
        file_secret_settings: PydanticBaseSettingsSource,  # noqa: ARG003 - the library's signature
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """The environment before the file, which comes as arguments; nothing else."""
        return env_settings, init_settings

    @model_validator(mode="after")
    def _fill_in(self) -> Settings:
        """Put in what follows from other settings: client_id, the service topic, token_file."""
        client_id = self.broker.client_id or self.name
        own = {name: getattr(self.topics, name).replace("{name}", self.name) for name in ("service", "heartbeat")}
        token_file = self.web.token_file or self.data_dir / "token"
        filled = {
            "broker": self.broker.model_copy(update={"client_id": client_id}),
            "topics": self.topics.model_copy(update=own),
            "web": self.web.model_copy(update={"token_file": token_file}),
        }
        self.__dict__.update(filled)  # the one moment at which a frozen model may still change: it is being made
        return self
