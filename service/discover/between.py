"""What one value says of another: a differential pressure while the air stands still, like gateways side by side."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from itertools import combinations

from service.discover.findings import TagFound
from service.discover.judge import in_unit
from service.discover.readings import Series
from service.discover.words import BY_NAME

REST_PART = 0.1  # of the highest airflow or current: below it the fan stands still
REST_LEAST = 5  # readings
NEAR_US = 60_000_000  # of an airflow and a differential pressure that belong together
MOST_PART = 0.9  # of the values at rest must be off to call the zero off
ZERO_PASS, ZERO_FAIL = 0.10, 0.25  # inH2O; trade knowledge from memory, as for commissioning
RATIO_WIDTH = 0.05
# What one unit taken for another makes of a value: mbar, kPa, Pa, mmH2O of inH2O; bar and kPa of psi.
RATIOS = {"dp": (2.49, 0.249, 249.0, 25.4, 0.0361), "header": (0.0689, 6.89)}
ABSOLUTE_PSI, ABSOLUTE_WIDTH_PSI = 14.7, 1.5

Pair = tuple[TagFound, Series]


def compare(pairs: Sequence[Pair]) -> None:
    """Add to the tags' notes and questions what they say of one another."""
    by_gateway: dict[str, dict[str, Pair]] = {}
    for found, series in pairs:
        by_gateway.setdefault(found.gateway, {}).setdefault(found.kind, (found, series))
    for of_kind in by_gateway.values():
        _at_rest(of_kind)
    for kind in ("dp", "header"):
        alike = [found for found, _ in pairs if found.kind == kind and found.unit and found.working is not None]
        for one, other in combinations(alike[:50], 2):
            _side_by_side(kind, one, other)


def _at_rest(of_kind: Mapping[str, Pair]) -> None:
    """Where airflow or current shows that the fan stands still, the differential pressure must be near zero."""
    mover = of_kind.get("airflow") or of_kind.get("current")
    if mover is None or "dp" not in of_kind:
        return
    found, series = of_kind["dp"]
    if found.unit == "" or found.is_merged or mover[0].is_merged:
        return
    states = _states(*mover)
    values = [value for at_us, value in series.values if _is_still(at_us, states) and value not in found.bad_codes]
    if len(values) >= REST_LEAST:
        _judge_zero(found, values)


def _judge_zero(found: TagFound, values: Sequence[float]) -> None:
    """Say of the zero what nearly all values at rest say; nothing where some are zero and others are far from it."""
    shown = [seen for value in values if (seen := in_unit(BY_NAME["dp"], found.unit, value)) is not None]
    middle = sorted(shown)[len(shown) // 2]
    least = sorted(map(abs, shown))[int((1 - MOST_PART) * len(shown))]
    if abs(middle) <= ZERO_PASS:
        found.notes.append(
            f"with the fan off it is within {ZERO_PASS:g} inH2O of zero: that proves the zero, not the unit"
        )
    elif least > ZERO_PASS and abs(middle) <= ZERO_FAIL:
        found.notes.append(f"with the fan off it shows {middle:.2f} inH2O, more than 0.1: check the zero")
    elif least > ZERO_FAIL:
        found.questions.append(
            f"with the fan off it shows {middle:.2f} inH2O where zero is expected: another value, an offset, or a "
            "plugged line"
        )


def _states(found: TagFound, series: Series) -> list[tuple[int, bool]]:
    """When airflow or current was read, and whether it showed a fan that stands still, in the order of time."""
    values = [(at_us, abs(value)) for at_us, value in series.values if value not in found.bad_codes]
    sizes = sorted(size for _, size in values)
    most = REST_PART * sizes[int(0.9 * (len(sizes) - 1))] if sizes else 0.0
    return sorted((at_us, size < most) for at_us, size in values)


def _is_still(at_us: int, states: Sequence[tuple[int, bool]]) -> bool:
    """Whether the fan stood still at both looks at it around an instant, the nearer of them close to it.

    A look at that very instant counts alone.
    """
    place = bisect_left(states, (at_us, False))
    if place < len(states) and states[place][0] == at_us:
        return states[place][1]
    around = states[max(place - 1, 0) : place + 1]
    is_close = any(abs(seen_us - at_us) <= NEAR_US for seen_us, _ in around)
    return len(around) == 2 and is_close and all(is_still for _, is_still in around)


def _side_by_side(kind: str, one: TagFound, other: TagFound) -> None:
    """Two gateways whose values of one kind stand in the ratio of two units: told at the one that is farther out."""
    first, second = (in_unit(BY_NAME[kind], found.unit, found.working or 0.0) for found in (one, other))
    if not first or not second or first * second <= 0:
        return
    high, low = (one, other) if first > second else (other, one)
    ratio, difference = max(first, second) / min(first, second), abs(first - second)
    wanted = next((each for each in RATIOS[kind] if abs(ratio / max(each, 1 / each) - 1) <= RATIO_WIDTH), None)
    if wanted is not None:
        text = f"stand in the ratio {ratio:.3g}, as two units do: prove both"
    elif kind == "header" and abs(difference - ABSOLUTE_PSI) <= ABSOLUTE_WIDTH_PSI:
        text = f"are {difference:.1f} psi apart, as absolute and gauge are: prove both"
    else:
        return
    for found, beside in ((high, low), (low, high)):
        if not any("prove both" in note for note in found.notes):
            found.notes.append(f"it and {beside.gateway}/{beside.tag} {text}")
