"""The plain form: one value per topic, the payload is the number as text.

Owns what such a text may be; must never take an arrival that says nothing for a value.
"""

from __future__ import annotations

from service.decode import texts
from service.decode.form import TEXT_MOST, Arrived, Read, Stateless, named
from service.model import BadInput, GatewayMessage, GatewayReading

UNIT_MOST = 32  # characters, as `GatewayReading.unit`

_WORDS = {"true": 1.0, "on": 1.0, "false": 0.0, "off": 0.0}


class PlainForm(Stateless):
    """Reads "3.14", "3.14 inH2O", true, false, on, off (in small or capital letters) or null, which is a bad reading.

    The tag and the gateway are parts of the topic. A payload has no room for a time: it is the arrival's.
    """

    def __init__(self, *, decimal: str = ".", tag_part: str = "tag", gateway_part: str = "gateway") -> None:
        """`decimal` is "." or ","; the parts are names in the source's topic. ValueError when a setting is wrong."""
        texts.check_number_form(decimal)
        self._decimal, self._tag_part, self._gateway_part = decimal, tag_part, gateway_part

    def read(self, arrived: Arrived) -> Read:
        """One reading; BadInput when it is none."""
        gateway = named(arrived, self._gateway_part, "name the gateway in the source's topic")
        tag = named(arrived, self._tag_part, "name the tag in the source's topic")
        value, unit = self._value(arrived.payload)
        reading = GatewayReading(tag, "", unit, value, "bad" if value is None else "good")
        return Read([GatewayMessage(gateway, [reading])])

    def _value(self, payload: bytes) -> tuple[float | None, str]:
        if len(payload) > texts.NUMBER_LONGEST + TEXT_MOST:
            raise BadInput(f"payload of {len(payload)} bytes: expected one number; choose the form that it is")
        try:
            parts = payload.decode().split()
        except UnicodeDecodeError as error:
            raise BadInput(
                f"payload {texts.shown(payload)}: {error.reason}; expected UTF-8 text; correct it"
            ) from error
        if len(parts) == 1:
            word = parts[0].lower()
            if word == "null":
                return None, ""
            return (_WORDS[word] if word in _WORDS else texts.number(parts[0], self._decimal)), ""
        # "1 234" is one number with a mark of thousands, not 1 in the unit "234".
        if len(parts) != 2 or parts[1][0] in "0123456789.,+-" or len(parts[1]) > UNIT_MOST:
            raise BadInput(
                f"payload {texts.shown(' '.join(parts))}: expected a number, or a number, one space and a unit of at "
                f"most {UNIT_MOST} characters; correct the sender, or choose the form that it is"
            )
        return texts.number(parts[0], self._decimal), parts[1]
