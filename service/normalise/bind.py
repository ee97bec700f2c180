"""Which point a gateway's tag is, in which unit it speaks: the binding of every reading, and its refusal.

Owns the memory of bindings already looked up; it is bounded, and forgotten with the register revision.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from service.model import BadInput
from service.units.table import Unit

REFUSED_AT_MOST = 10_000  # remembered refusals; beyond it they are looked up again
TAGS_SHOWN = 20  # of a gateway, in the reason why another was refused


@dataclass(frozen=True, slots=True)
class Binding:
    """A gateway's tag is this point. `point` is the board's index."""

    gateway: str
    tag: str
    point: int
    quantity: str


@dataclass(frozen=True, slots=True)
class Slots:
    """Looked-up bindings as columns: canonical = (value + shift) * numerator / denominator."""

    point: np.ndarray
    unit: np.ndarray
    shift: np.ndarray
    numerator: np.ndarray
    denominator: np.ndarray


class Binder:
    """Looks up (gateway, tag, unit). The same unit text always gives the same slot, so arrays can be gathered."""

    def __init__(
        self,
        bindings: Iterable[Binding],
        lookup: Callable[[str, str], Unit],
        unit_numbers: dict[str, int],
    ) -> None:
        self._by_tag = {(b.gateway, b.tag): b for b in bindings}
        self.gateways = {b.gateway for b in self._by_tag.values()}
        self._lookup = lookup
        self._unit_numbers = unit_numbers
        self._tags: dict[str, list[str]] = {}
        for gateway, tag in sorted(self._by_tag):
            self._tags.setdefault(gateway, []).append(tag)
        self.known: dict[str, dict[tuple[str, str], int]] = {gateway: {} for gateway in self.gateways}
        self._refused: dict[tuple[str, str, str], tuple[str, str]] = {}
        self._rows: list[tuple[int, int, float, float, float]] = []
        self._columns: Slots | None = None

    def slot(self, gateway: str, tag: str, unit: str) -> int:
        """The slot of a reading; BadInput with a stable `code` attribute when it has none."""
        refused = self._refused.get((gateway, tag, unit))
        if refused is None:
            try:
                return self._bind(gateway, tag, unit)
            except BadInput as error:
                refused = (_code(gateway in self.gateways, (gateway, tag) in self._by_tag), str(error))
                if len(self._refused) < REFUSED_AT_MOST:
                    self._refused[gateway, tag, unit] = refused
        raise Refusal(*refused)

    def slots(self) -> Slots:
        """All slots as columns, in slot order."""
        if self._columns is None or len(self._columns.point) != len(self._rows):
            columns = list(zip(*self._rows, strict=True)) or [(), (), (), (), ()]
            self._columns = Slots(
                np.array(columns[0], np.int64),
                np.array(columns[1], np.int64),
                *(np.array(column, np.float64) for column in columns[2:]),
            )
        return self._columns

    def _bind(self, gateway: str, tag: str, unit: str) -> int:
        if gateway not in self.gateways:
            raise BadInput(
                f"gateway {gateway!r}: no collector has it; expected a gateway of the plant file; "
                "register it, or correct its id"
            )
        binding = self._by_tag.get((gateway, tag))
        if binding is None:
            tags = self._tags[gateway]
            more = f" and {len(tags) - TAGS_SHOWN} more" if len(tags) > TAGS_SHOWN else ""
            expected = ", ".join(tags[:TAGS_SHOWN]) + more
            raise BadInput(
                f"tag {tag!r} of gateway {gateway}: no point has it; expected one of {expected}; "
                "add a point with this tag to the plant file, or stop sending it"
            )
        found = self._lookup(unit, binding.quantity)
        self._rows.append(
            (binding.point, self._unit_numbers[found.name], found.shift, found.numerator, found.denominator)
        )
        slot = len(self._rows) - 1
        self.known[gateway][tag, unit] = slot
        return slot


class Refusal(BadInput):
    """A reading that cannot be bound; `code` is short and stable."""

    def __init__(self, code: str, reason: str) -> None:
        super().__init__(reason)
        self.code = code


def _code(gateway_known: bool, tag_known: bool) -> str:
    if not gateway_known:
        return "gateway-unknown"
    return "unit-refused" if tag_known else "tag-unknown"
