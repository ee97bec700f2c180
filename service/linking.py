"""How to reach each broker, from settings and sources. Opens no connection; reads secrets and certificates."""

from __future__ import annotations

from service.decode.intake import Intake
from service.model import MAIN
from service.receive.access import Encryption, Secret
from service.receive.mqtt import Link
from service.settings import BrokerSettings, Settings
from service.sources.form import Sources


def links_of(settings: Settings, sources: Sources, intake: Intake) -> dict[str, Link]:
    """How to reach each broker, and what to subscribe to there."""
    brokers: dict[str, BrokerSettings] = {MAIN: settings.broker, **{item.name: item for item in sources.broker}}
    return {name: _link(name, broker, settings, intake.filters(name)) for name, broker in brokers.items()}


def _link(name: str, broker: BrokerSettings, settings: Settings, topics: tuple[str, ...]) -> Link:
    at = "broker" if name == MAIN else f"broker[{name}]"
    encryption, secret = _tls(broker, at), _password(broker, at)
    return Link(
        host=broker.host,
        port=broker.port,
        version=broker.version,
        client_id=broker.client_id or settings.name,
        username=broker.username,
        password=secret.read() if secret else None,
        tls=encryption.anew() if encryption else None,
        keepalive_s=broker.keepalive_s,
        session_expiry_s=broker.session_expiry_s,
        receive_maximum=broker.receive_maximum,
        reconnect_longest_s=broker.reconnect_longest_s,
        topics=topics,
        status_topic=settings.topics.service,
        name=name,
        encryption=encryption,
        secret=secret,
        transport=broker.transport,
        path=broker.path,
        identity_property=broker.identity_property,
    )


def _password(broker: BrokerSettings, at: str) -> Secret | None:
    """Where it stands."""
    if broker.password_file is None and not broker.credential_variable:
        return None
    key = "credential_variable" if broker.credential_variable else "password_file"
    return Secret(f"{at}.{key}", broker.password_file, broker.credential_variable)


def _tls(broker: BrokerSettings, at: str) -> Encryption | None:
    """What TLS asks for, once its files were found good."""
    if not broker.tls:
        return None
    found = Encryption(
        key=at,
        ca_file=broker.ca_file,
        certificate_file=broker.certificate_file,
        key_file=broker.key_file,
        certificate_sha256=tuple(broker.certificate_sha256),
        alpn=tuple(broker.alpn),
    )
    found.context()
    return found
