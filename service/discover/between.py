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
    still = _still(mover[1])
    if found.unit == "" or len(still) < REST_LEAST:
        return
    values = [value for at_us, value in series.values if _is_near(at_us, still) and value not in found.bad_codes]
    if len(values) < REST_LEAST:
        return
    middle = in_unit(BY_NAME["dp"], found.unit, sorted(values)[len(values) // 2])
    assert middle is not None
    if abs(middle) <= ZERO_PASS:
        found.notes.append(
            f"with the fan off it is within {ZERO_PASS:g} inH2O of zero: that proves the zero, not the unit"
        )
    elif abs(middle) <= ZERO_FAIL:
        found.notes.append(f"with the fan off it shows {middle:.2f} inH2O, more than 0.1: check the zero")
    else:
        found.questions.append(
            f"with the fan off it shows {middle:.2f} inH2O where zero is expected: another value, an offset, or a "
            "plugged line"
        )


def _still(series: Series) -> list[int]:
    values = sorted(abs(value) for _, value in series.values)
    if not values:
        return []
    most = REST_PART * values[int(0.9 * (len(values) - 1))]
    return sorted(at_us for at_us, value in series.values if abs(value) < most)


def _is_near(at_us: int, instants: Sequence[int]) -> bool:
    place = bisect_left(instants, at_us)
    return any(abs(instants[near] - at_us) <= NEAR_US for near in (place - 1, place) if 0 <= near < len(instants))


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
