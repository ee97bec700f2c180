"""The native JSON form as sources: readings; births and wills. What is refused in part is kept in the native form."""

from __future__ import annotations

from service.decode import native
from service.decode.form import READINGS_MOST, Arrived, Read, Stateless, Template
from service.decode.intake import Source
from service.model import MAIN, BadInput, GatewayMessage, Parcel


class NativeForm(Stateless):
    """Readings; the gateway in the message must be the topic's."""

    def __init__(self, readings_most: int = READINGS_MOST) -> None:
        self._readings_most = readings_most

    def read(self, arrived: Arrived) -> Read:
        decoded = native.decode(arrived.payload, self._readings_most)
        message = decoded.message
        named = arrived.parts.get("gateway", message.gateway)
        if message.gateway != named:
            raise BadInput(
                f"gateway {message.gateway!r} on the topic of {named!r}: expected the same id in both; "
                "correct the gateway's topic or its id"
            )
        read = Read(messages=[message])
        if decoded.faults:
            parcel = Parcel(arrived.topic, arrived.payload, arrived.received_us)
            read.rejected.append(native.rejection(parcel, message, decoded.faults))
        return read

    def numbered(self, payload: bytes) -> list[GatewayMessage]:
        """What a message that is refused as a whole says of its number."""
        return native.numbered(payload)


class StatusForm(Stateless):
    """Births and wills."""

    def read(self, arrived: Arrived) -> Read:
        status = native.decode_status(arrived.payload)
        named = arrived.parts.get("gateway", status.gateway)
        if status.gateway != named:
            raise BadInput(f"status of gateway {status.gateway!r} on the topic of {named!r}: expected the same id")
        return Read(statuses=[status])


def native_sources(readings: str, status: str, readings_most: int, *, broker: str = MAIN) -> tuple[Source, Source]:
    """The two sources of topic filters in which + is the gateway's id."""
    return (
        Source("native", broker, (_template(readings),), NativeForm(readings_most), keeps_part=True),
        Source("native status", broker, (_template(status),), StatusForm(), is_status=True),
    )


def _template(text: str) -> Template:
    return Template(text.replace("+", "{gateway}"))
