"""The form of the sources file: tables, keys, types, defaults. It reads no file and builds no payload form."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, model_validator

from service.settings import BrokerSettings, Section
from service.values import Id

Text = Annotated[str, Field(min_length=1, max_length=128)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
FORMS = ("native", "mapped", "plain", "csv", "senml", "sparkplug")


def _pair(pair: list[float]) -> list[float]:
    if pair[0] == pair[1]:
        raise ValueError(f"{pair}: expected two different numbers; correct them")
    return pair


Pair = Annotated[list[Finite], Field(min_length=2, max_length=2), AfterValidator(_pair)]


class Broker(BrokerSettings):
    """One more broker beside that of the settings file, with the same keys."""

    name: Id = Field(description="name that sources use; main is the broker of the settings file")


class Loop(Section):
    """A 4-20 mA signal: what its two ends are in the unit. Below 3.6 and above 21 mA the transmitter has failed."""

    at_4_mA: Finite = Field(description="value at 4 mA", examples=[0.0])
    at_20_mA: Finite = Field(description="value at 20 mA", examples=[10.0])


class Line(Section):
    """A straight line through two points."""

    raw: Pair = Field(description="two raw values", examples=[[0, 65535]])
    value: list[Finite] = Field(description="what they are in the unit", min_length=2, max_length=2)


class Counter(Section):
    """A count that only goes up, and begins anew when the device restarts."""

    wraps_at: Annotated[float, Field(gt=0, allow_inf_nan=False)] | None = Field(
        None, description="the count after which it goes on at nought, if it does", examples=[65536]
    )


class TagRules(Section):
    """What one tag is, and how its value is to be taken."""

    tag: Text | None = Field(None, description="its name in the plant file, if another")
    unit: Annotated[str, Field(min_length=1, max_length=32)] | None = Field(
        None, description="unit of the value after scaling; it overrides the message's", examples=["inH2O"]
    )
    loop: Loop | None = Field(None, description="a current in mA that stands for the value")
    line: Line | None = Field(None, description="raw counts or volts that stand for the value")
    lowest: Finite | None = Field(None, description="raw values below it are a failure of the sensor")
    highest: Finite | None = Field(None, description="raw values above it are a failure of the sensor")
    bad: list[Finite] = Field(
        [], max_length=32, description="values that mean no measurement", examples=[[-9999, 65535]]
    )
    counter: Counter | None = Field(None, description="a count whose resets are counted over")

    @model_validator(mode="after")
    def _fit(self) -> TagRules:
        if self.loop is not None and self.line is not None:
            raise ValueError("loop and line: expected one of them; remove the other")
        if self.lowest is not None and self.highest is not None and self.lowest >= self.highest:
            raise ValueError(f"lowest {self.lowest:g}: expected less than highest ({self.highest:g}); correct it")
        if self.counter is not None and (self.loop is not None or self.line is not None):
            raise ValueError("counter with loop or line: expected a count as it comes; remove one")
        return self


class Time(Section):
    """Whose clock dates the readings."""

    by: Literal["device", "arrival"] = Field("device", description="the device's clock, or this computer's")
    offset_s: float = Field(0.0, ge=-1e9, le=1e9, description="seconds added to the device's time", examples=[-3600.0])

    @model_validator(mode="after")
    def _fit(self) -> Time:
        if self.by == "arrival" and self.offset_s:
            raise ValueError('offset_s with by = "arrival": expected an offset of the device\'s clock; remove one')
        return self


class Mapped(Section):
    """Where the fields are in a JSON document, as JMESPath; see service/decode/mapped.py."""

    items: str = Field("", description="the list of items; empty: the document is the one item")
    tag: str = ""
    value: str = ""
    unit: str = ""
    values: dict[Text, str] = Field({}, description="an expression for each tag, in place of tag and value")
    at: str = Field("", description="the time; empty: the arrival's")
    quality: str = Field("", description="a text, good or bad")
    good: str = Field("", description="true or false")
    gateway: str = Field("", description="in the document; empty: the topic's part gateway")
    boot: str = ""
    seq: str = ""
    decimal: Literal[".", ","] = "."
    time_form: Text = Field("rfc3339", description="rfc3339, s, ms, us, or a strptime pattern")
    time_zone: str = Field("", description="IANA name, for a pattern without an offset")


class Csv(Section):
    """The columns of lines; see service/decode/csv_line.py."""

    columns: list[Text] = Field(min_length=1, max_length=1000, description='"at" and tags, or at, tag, value, unit')
    separator: Annotated[str, Field(min_length=1, max_length=1)] = ","
    decimal: Literal[".", ","] = "."
    time_form: Text = "rfc3339"
    time_zone: str = ""
    header: bool = Field(False, description="the first line names the columns")


class Plain(Section):
    """One value for each topic."""

    decimal: Literal[".", ","] = "."


class Senml(Section):
    """RFC 8428."""

    coding: Literal["auto", "json", "cbor"] = "auto"
    tag_from: Literal["n", "last", "name"] = Field(
        "n", description="the tag is the record's own name, the last part of the resolved one, or all of it"
    )


class Sparkplug(Section):
    """Sparkplug B 3.0."""

    gateway_of: Literal["node", "device", "node-device"] = Field(
        "node", description="whether the edge node, the device, or both name the gateway"
    )
    asks_rebirth: bool = Field(
        True, description="whether a node may be asked to tell its names again; it is the one message to it"
    )
    reorder_s: float = Field(5.0, ge=0, le=600, description="how long a message may wait for an earlier one")


class Source(Section):
    """Topics of one broker, the payload form of what comes on them, and the rules for it."""

    name: Id = Field(description="name in counts and in quarantine")
    broker: Id = Field("main", description="main, or a broker of this file")
    form: Literal["native", "mapped", "plain", "csv", "senml", "sparkplug"] = Field(description="the payload form")
    topics: list[Text] = Field(
        min_length=1, max_length=100, description="whole levels are named in braces: works/{gateway}/{tag}, {rest...}"
    )
    gateway: Text | None = Field(None, description="the one gateway of this source, if neither topic nor payload say")
    gateways: dict[Text, Id] = Field({}, description="the name that arrives = the id in the plant file")
    only_named: bool = Field(False, description="refuse gateways that gateways does not name")
    tags: dict[Text, TagRules] = Field({}, description='by the tag that arrives, or "gateway/tag" for one gateway')
    time: Time = Time()
    time_of: dict[Id, Time] = Field({}, description="by the gateway's id in the plant file")
    mapped: Mapped | None = None
    csv: Csv | None = None
    plain: Plain | None = None
    senml: Senml | None = None
    sparkplug: Sparkplug | None = None

    @model_validator(mode="after")
    def _fit(self) -> Source:
        for form in FORMS[1:]:
            if form != self.form and getattr(self, form) is not None:
                raise ValueError(
                    f"{form} in a source of the form {self.form}: expected a table of its own form; remove it"
                )
        if self.form in ("mapped", "csv") and getattr(self, self.form) is None:
            raise ValueError(f"form {self.form}: expected a table {self.form} beside it; add it")
        return self

    def words(self) -> Any:
        """The table of its form, with defaults where it is left out; None for the native form."""
        kinds: dict[str, type[Section]] = {"plain": Plain, "senml": Senml, "sparkplug": Sparkplug}
        given = getattr(self, self.form, None)
        return kinds[self.form]() if given is None and self.form in kinds else given


class Sources(Section):
    """The whole file."""

    broker: list[Broker] = Field([], max_length=20)
    source: list[Source] = Field([], max_length=200)
