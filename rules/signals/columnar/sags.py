"""The sag of the header at each pulse over arrays: a history is cut at its pulses and breaks, all at once."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from rules.columnar.spans import FAR_US, Bools, Floats, Ints
from rules.signals.columnar.figures import KNOWN, Codes, codes, news
from rules.signals.sags import NEVER, NOT_RECOVERED, NOWHERE, SAG_US, SagSpec
from rules.signals.words import Why


class SagSamples(NamedTuple):
    """Samples of a header as equally long arrays, as in `rules.signals.sags.SagSample`."""

    at_us: Ints
    lowest: Floats
    highest: Floats
    total: Ints
    good: Bools
    boot: npt.NDArray[np.str_]
    supply_on: Bools


class Sags(NamedTuple):
    """Pulses in order of time, as in `rules.signals.sags.Sag`; where `why` is not `KNOWN`, `share` is NaN."""

    at_us: Ints
    position: Ints
    share: Floats
    why: Codes
    before_pa: Floats
    recovery_us: Ints
    idle_us: Ints
    supply_on: Bools


class Pulses(NamedTuple):
    """What every cut of a history opened; of breaks it means nothing."""

    before_pa: Floats
    share: Floats
    recovery_us: Ints
    idle_us: Ints


def sags(spec: SagSpec, samples: SagSamples) -> Sags:
    """What `rules.signals.sags.step` gives for the same samples."""
    new = news(samples.at_us)
    kept = SagSamples(
        samples.at_us[new],
        samples.lowest[new],
        samples.highest[new],
        samples.total[new],
        samples.good[new],
        samples.boot[new],
        samples.supply_on[new],
    )
    why = _why(spec, kept)
    rises = np.diff(kept.total, prepend=kept.total[:1]) > 0
    cuts = np.flatnonzero((why != KNOWN) | rises)  # pulses and breaks; every history begins with a break
    opened = why[cuts] == KNOWN
    ends = np.append(False, opened)[:-1]  # it ends what the cut before it opened
    tells = np.flatnonzero(ends | ~opened)
    reason = why[cuts[tells]]
    told = tells[ends[tells] | (reason != np.append(np.int8(KNOWN), reason)[:-1])]
    return _sags(spec, kept, why, cuts, _Told(told, ends[told] & opened[told], ends[told]))


class _Told(NamedTuple):
    """Which cuts say something, whether that is a pulse, and whether one was open."""

    cut: Ints
    known: Bools
    ends: Bools


def _sags(spec: SagSpec, kept: SagSamples, why: Codes, cuts: Ints, told: _Told) -> Sags:
    pulses = _pulses(spec, kept, cuts, why[cuts] == KNOWN)
    pulse = np.maximum(told.cut - 1, 0)
    return Sags(
        kept.at_us[cuts[told.cut]],
        np.where(told.ends, (kept.total[cuts[pulse]] - 1) % spec.rows, NOWHERE),
        np.where(told.known, pulses.share[pulse], np.nan),
        why[cuts[told.cut]],
        np.where(told.known, pulses.before_pa[pulse], 0.0),
        np.where(told.known, pulses.recovery_us[pulse], NEVER),
        np.where(told.known, pulses.idle_us[pulse], NEVER),
        told.known & kept.supply_on[cuts[pulse]],
    )


def _pulses(spec: SagSpec, kept: SagSamples, cuts: Ints, opened: Bools) -> Pulses:
    """Every stretch from a cut to the next, looked at as a pulse."""
    at = kept.at_us
    stretch = np.repeat(np.arange(len(cuts)), np.diff(np.append(cuts, len(at))))
    early = at <= at[cuts][stretch] + SAG_US
    lowest = np.minimum.reduceat(np.where(early, kept.lowest, np.inf), cuts)
    highest = np.maximum(kept.highest[cuts], kept.highest[cuts - 1])
    enough = highest - NOT_RECOVERED * (highest - lowest)
    recovers = ~early & (kept.highest >= enough[stretch]) & spec.is_spot
    recovered = np.minimum.reduceat(np.where(recovers, at, FAR_US), cuts)
    before_pa = highest + spec.ambient_pa
    return Pulses(
        before_pa,
        np.maximum(highest - lowest, 0.0) / before_pa,
        np.where(recovered < FAR_US, recovered - at[cuts], NEVER),
        np.where(np.append(False, opened)[:-1], np.diff(at[cuts], prepend=0), NEVER),
    )


def _why(spec: SagSpec, kept: SagSamples) -> Codes:
    """What breaks the data at each sample, if anything does."""
    size = len(kept.at_us)
    good = kept.good & (kept.total >= 0)
    length = np.diff(kept.at_us, prepend=kept.at_us[:1])
    rise = np.diff(kept.total, prepend=kept.total[:1])
    boots = np.append(False, kept.boot[1:] != kept.boot[:-1])[:size]
    gap = length > spec.hold_us
    gap[:1] = True
    return codes(
        size,
        (~good, Why.BAD_DATA),
        (gap, Why.NO_DATA),
        (np.append(True, ~good)[:size], Why.BAD_DATA),
        ((rise < 0) | boots, Why.COUNTER_RESET),
        ((rise > 1) | ((length > SAG_US) & spec.is_spot), Why.NOT_OBSERVABLE),
    )
