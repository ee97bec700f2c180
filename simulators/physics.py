"""One pulse-jet collector in time. Owns its physical state; must never measure, send, read a clock or draw noise.

Rules of the state:
- Filter rows lie in parallel under one differential pressure: S_i = S_R + K2 W_i, dP = Q / sum((A/N) / S_i).
- A row collects dust in proportion to its own velocity, dW_i/dt = c dP / S_i. Then d(S_i^2)/dt = 2 K2 c dP, so a
  span of time is one square root per row, whatever its length.
- Pulses, the controller's switching and the fan's run-up are events inside the step; the header, the fan and the
  gas temperature follow exponentials in closed form. So steps of 1 to 60 s give the same plant.
- What the world does to the collector (`World`) is taken at the beginning of a step and holds until its end.
Drag model S = S_E + K2 W: EPA/452/B-02-001 section 6 chapter 1. Fan, duct and header: trade knowledge from memory.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import partial
from math import exp, inf, log, pi, sin, sqrt
from typing import NamedTuple

from simulators.designs import Design

ATMOSPHERE_PSI = 14.7
GRAINS_PER_LB = 7_000.0
HEADER_SET_PSI = 90.0
EFFECTIVE_PULSE_S = 0.15  # of a 100 ms electrical pulse
BEST_REMOVAL, USELESS_PSI, REMOVAL_SCALE_PSI = 0.75, 30.0, 25.0
REDEPOSITED, REDEPOSITED_HOPPER_FULL = 0.35, 0.9
SEASONING_H = 200.0
FAN_LAG_S, GAS_LAG_S = 8.0, 600.0
FAN_STILL = 0.02  # below this speed the fan moves nothing
FAN_LOSS_INWC, DUCT_LOSS_INWC = 4.0, 7.0  # at design flow and 70 degF
AMBIENT_DEGF, AMBIENT_SWING_DEGF = 70.0, 12.0
BULK_LB_PER_FT3, AIRLOCK_FT3_PER_H = 35.0, 90.0
FAN_EFFICIENCY, MOTOR_EFFICIENCY = 0.62, 0.93
RUN_UP_SPAN_S = 1.0  # longest span while the fan's speed is changing
NO_ROWS: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class World:
    """What is done to a collector from outside; the default is a healthy day."""

    fan_on: bool = True
    speed_factor: float = 1.0  # belt slip
    cleaning: bool = True  # the pulse controller is alive
    supply_psi: float | None = HEADER_SET_PSI  # None: no supply, the check valve holds
    open_valve: float = 0.0  # leak as a fraction of one pulse valve; 1 is stuck open
    dead_rows: frozenset[int] = NO_ROWS
    duct_factor: float = 1.0  # resistance against design
    dust_factor: float = 1.0
    k2_factor: float = 1.0  # sticky dust
    blinding_factor: float = 1.0
    airlock: float = 1.0  # turning speed against design


HEALTHY = World()


class Sample(NamedTuple):
    """The collector at the end of a step. `header_min_psi` and `pulses_in_step` speak of the step itself."""

    hours: float  # since the collector was created
    dp_inwc: float
    flow_acfm: float
    header_psi: float
    header_min_psi: float
    header_between_psi: float  # undisturbed by pulses: just before the last pulse, or now if that is long ago
    pulses: int  # counted by the controller's timer, with or without air
    pulses_in_step: int
    since_pulse_s: float
    gas_degf: float
    fan_speed: float  # fraction of full speed
    fan_kw: float
    fan_a: float
    hopper: float  # filled fraction
    cleaning: bool
    residual_drag: float


def pressure_drop_inwc(flow_acfm: float, area_ft2: float, drags: list[float]) -> float:
    """Differential pressure over equal rows in parallel, in.wc; drags in in.wc per ft/min."""
    return flow_acfm / (area_ft2 / len(drags) * sum([1.0 / drag for drag in drags]))


def with_cake(
    drags: list[float], *, k2: float, dust_lb_per_ft3: float, mean_dp_inwc: float, minutes: float
) -> list[float]:
    """Drags after a span of filtering under a mean differential pressure: S^2 grows by 2 K2 c dP t."""
    growth = 2.0 * k2 * dust_lb_per_ft3 * mean_dp_inwc * minutes
    return [sqrt(drag * drag + growth) for drag in drags]


def removed_fraction(header_psi: float) -> float:
    """What one pulse takes off its row: nothing below 30 psig, 0.68 at 90 psig (from memory)."""
    return BEST_REMOVAL * (1.0 - exp(-(max(header_psi, USELESS_PSI) - USELESS_PSI) / REMOVAL_SCALE_PSI))


def density_ratio(gas_degf: float) -> float:
    """Gas density against 70 degF at the same pressure."""
    return 530.0 / (460.0 + gas_degf)


def fan_power_kw(flow_acfm: float, static_inwc: float) -> float:
    """Electrical power of the fan, kW: air horsepower Q SP / 6356 over fan and motor efficiency."""
    return flow_acfm * static_inwc / (6356.0 * FAN_EFFICIENCY) * 0.746 / MOTOR_EFFICIENCY


def after_pulse_psi(header_psi: float, valve_kv: float, header_ft3: float) -> float:
    """Header pressure just after one valve has opened, psig."""
    left = exp(-ATMOSPHERE_PSI * valve_kv * EFFECTIVE_PULSE_S / header_ft3)
    return max(0.0, (header_psi + ATMOSPHERE_PSI) * left - ATMOSPHERE_PSI)


def pulse_air_scf(before_psi: float, after_psi: float, header_ft3: float) -> float:
    """Free air that one pulse took, scf (the inflow during the pulse is neglected)."""
    return header_ft3 * (before_psi - after_psi) / ATMOSPHERE_PSI


def header_after_psi(
    header_psi: float, seconds: float, *, header_ft3: float, supply_psi: float | None, inflow: float, leak: float
) -> float:
    """Header pressure after a time without pulses, psig; inflow in scf/s per psi, leak in scf/s per psia.

    dP/dt = (14.7/V) (inflow max(0, supply - P) - leak (P + 14.7)), which is linear on either side of the supply.
    """
    if supply_psi is None or header_psi > supply_psi:
        rate = ATMOSPHERE_PSI * leak / header_ft3
        floor = 0.0 if supply_psi is None else supply_psi
        reaching = log((header_psi + ATMOSPHERE_PSI) / (floor + ATMOSPHERE_PSI)) / rate if rate > 0 else inf
        if supply_psi is None or seconds <= reaching:
            return max(0.0, (header_psi + ATMOSPHERE_PSI) * exp(-rate * seconds) - ATMOSPHERE_PSI)
        header_psi, seconds = supply_psi, seconds - reaching
    settled = (inflow * supply_psi - ATMOSPHERE_PSI * leak) / (inflow + leak)
    rate = ATMOSPHERE_PSI * (inflow + leak) / header_ft3
    return max(0.0, settled + (header_psi - settled) * exp(-rate * seconds))


class Collector:
    """One collector. `step` moves it; everything else is a result."""

    def __init__(self, design: Design) -> None:
        """A collector that is running, part-way through its cleaning band, with filters as old as designed."""
        self.design = design
        self._seconds = 0.0
        self._hours_run = design.filter_age_h
        self._blinding = design.blinding_per_h * design.filter_age_h
        self._world = HEALTHY
        self._gas_degf = AMBIENT_DEGF + design.gas_rise_degf
        self._speed = 1.0
        self._flow = design.design_flow_acfm
        self._header = self._between = self._header_min = HEADER_SET_PSI
        self._since_pulse_s = inf
        self._cleaning = False
        self._pulses = self._next_row = 0
        self._hopper_ft3 = 0.0
        self._inflow = design.header_ft3 / (ATMOSPHERE_PSI * design.header_recovery_s)
        self._residual = self._residual_now()
        middle_inwc = (design.start_inwc + design.stop_inwc) / 2
        middle = middle_inwc / (design.design_flow_acfm / design.filter_area_ft2)
        # Rows that were pulsed long ago carry more: the spread that settled cleaning leaves behind.
        cake = max(middle - self._residual, 0.02)
        share = [0.5 + (row + 0.5) / design.rows for row in range(design.rows)]
        self._drags = [self._residual + cake * part for part in share[::-1]]
        self._dp = self._solve(self._drags, self._speed)[1]

    def step(self, seconds: float, world: World = HEALTHY) -> Sample:
        """Advance by `seconds` under `world`; the state at the end and what happened within."""
        self._take(world)
        self._header_min = self._header
        counted, left = self._pulses, seconds
        while left > 1e-9:
            left -= self._span(left)
        self._age(seconds)
        return self._sample(self._pulses - counted)

    # ------------------------------------------------------------------ events inside a step

    def _span(self, left_s: float) -> float:
        """Advance to the next event, at most `left_s`; the seconds it took."""
        design, world = self.design, self._world
        if not world.cleaning:
            self._cleaning = False
        elif self._dp > design.start_inwc:
            self._cleaning = True
        span = left_s
        target = self._target_speed()
        if abs(self._speed - target) > FAN_STILL:
            span = min(span, RUN_UP_SPAN_S)
        if self._cleaning:
            wait = design.pulse_interval_s - self._since_pulse_s
            if wait <= 1e-9:
                self._pulse()
                return 0.0
            span = min(span, wait)
        speed, drags, flow, dp = self._filtered(span, target)
        if world.cleaning and not self._cleaning and dp > design.start_inwc > self._dp:
            span *= (design.start_inwc - self._dp) / (dp - self._dp)
            speed, drags, flow, dp = self._filtered(span, target)
            self._cleaning = True
        self._speed, self._drags, self._flow, self._dp = speed, drags, flow, dp
        self._since_pulse_s += span
        self._breathe(span)
        return span

    def _pulse(self) -> None:
        """One valve opens: cake off its row, part of it back onto all rows, air out of the header."""
        design, row = self.design, self._next_row
        before = self._header
        self._between = before
        if row not in self._world.dead_rows:
            cake = self._drags[row] - self._residual
            removed = cake * removed_fraction(before)
            back = REDEPOSITED_HOPPER_FULL if self._hopper_ft3 >= design.hopper_ft3 else REDEPOSITED
            self._drags[row] -= removed
            share = back * removed / design.rows
            self._drags = [drag + share for drag in self._drags]
            pounds = (1.0 - back) * removed / self._k2 * design.filter_area_ft2 / design.rows
            self._hopper_ft3 = min(design.hopper_ft3, self._hopper_ft3 + pounds / BULK_LB_PER_FT3)
            self._header = after_pulse_psi(before, design.valve_kv, design.header_ft3)
            self._header_min = min(self._header_min, self._header)
        self._next_row = (row + 1) % design.rows
        self._pulses += 1
        self._since_pulse_s = 0.0
        self._flow, self._dp = self._solve(self._drags, self._speed)
        if self._dp < design.stop_inwc:
            self._cleaning = False

    # ------------------------------------------------------------------ spans without events

    def _filtered(self, seconds: float, target: float) -> tuple[float, list[float], float, float]:
        """Speed, drags, flow and differential pressure after a span, by the mean pressure of its two ends."""
        speed = target + (self._speed - target) * exp(-seconds / FAN_LAG_S)
        if target == 0.0 and speed < FAN_STILL:
            speed = 0.0
        dust, minutes = self._dust_lb_per_ft3, seconds / 60.0
        grow = partial(with_cake, self._drags, k2=self._k2, dust_lb_per_ft3=dust, minutes=minutes)
        guess = grow(mean_dp_inwc=self._dp)
        mean_dp = (self._dp + self._solve(guess, speed)[1]) / 2.0
        drags = grow(mean_dp_inwc=mean_dp)
        flow, dp = self._solve(drags, speed)
        return speed, drags, flow, dp

    def _solve(self, drags: list[float], speed: float) -> tuple[float, float]:
        """Flow and differential pressure where the fan meets duct and filter: the root of a quadratic."""
        design = self.design
        conductance = design.filter_area_ft2 / design.rows * sum([1.0 / drag for drag in drags])
        density = density_ratio(self._gas_degf)
        losses = FAN_LOSS_INWC + self._world.duct_factor * DUCT_LOSS_INWC
        square = density * losses / design.design_flow_acfm**2
        driving = density * design.fan_shutoff_inwc * speed * speed
        linear = 1.0 / conductance
        flow = (sqrt(linear * linear + 4.0 * square * driving) - linear) / (2.0 * square)
        return flow, flow / conductance

    def _target_speed(self) -> float:
        """Where the fan's speed is heading: nothing, full, or what holds the design flow."""
        design, world = self.design, self._world
        if not world.fan_on:
            return 0.0
        if not design.constant_flow:
            return world.speed_factor
        dp = pressure_drop_inwc(design.design_flow_acfm, design.filter_area_ft2, self._drags)
        losses = FAN_LOSS_INWC + world.duct_factor * DUCT_LOSS_INWC
        square = (losses + dp / density_ratio(self._gas_degf)) / design.fan_shutoff_inwc
        return min(1.0, sqrt(square)) * world.speed_factor

    def _breathe(self, seconds: float) -> None:
        """Header pressure over a span without pulses."""
        self._header = header_after_psi(
            self._header, seconds, header_ft3=self.design.header_ft3, supply_psi=self._world.supply_psi,
            inflow=self._inflow, leak=self._leak,
        )  # fmt: skip
        self._header_min = min(self._header_min, self._header)
        if self._since_pulse_s >= self.design.pulse_interval_s:
            self._between = self._header

    # ------------------------------------------------------------------ slow things, once a step

    def _take(self, world: World) -> None:
        """Accept the world for this step; the cake's weight is kept when its resistance changes."""
        design = self.design
        if world.k2_factor != self._world.k2_factor:
            ratio = world.k2_factor / self._world.k2_factor
            self._drags = [self._residual + (drag - self._residual) * ratio for drag in self._drags]
        self._world = world
        self._k2 = design.k2 * world.k2_factor
        self._dust_lb_per_ft3 = design.dust_gr_per_acf * world.dust_factor / GRAINS_PER_LB
        healthy = design.header_leak_scfm_per_ft3 * design.header_ft3 / 60.0 / (HEADER_SET_PSI + ATMOSPHERE_PSI)
        self._leak = healthy + world.open_valve * design.valve_kv
        self._flow, self._dp = self._solve(self._drags, self._speed)

    def _age(self, seconds: float) -> None:
        """Filter age, gas temperature and hopper at the end of a step."""
        design, world, hours = self.design, self._world, seconds / 3600.0
        self._seconds += seconds
        if world.fan_on:
            self._hours_run += hours
            self._blinding += design.blinding_per_h * world.blinding_factor * hours
            residual = self._residual_now()
            grown, self._residual = residual - self._residual, residual
            self._drags = [drag + grown for drag in self._drags]
        ambient = AMBIENT_DEGF + AMBIENT_SWING_DEGF * sin(2.0 * pi * self._seconds / 86_400.0)
        goal = ambient + (design.gas_rise_degf if world.fan_on else 0.0)
        self._gas_degf = goal + (self._gas_degf - goal) * exp(-seconds / GAS_LAG_S)
        self._hopper_ft3 = max(0.0, self._hopper_ft3 - AIRLOCK_FT3_PER_H * world.airlock * hours)

    def _residual_now(self) -> float:
        design = self.design
        seasoned = design.seasoned_drag * (1.0 - exp(-self._hours_run / SEASONING_H))
        return design.clean_drag + seasoned + self._blinding

    def _sample(self, pulses_in_step: int) -> Sample:
        design, flow, speed = self.design, self._flow, self._speed
        static = density_ratio(self._gas_degf) * (
            design.fan_shutoff_inwc * speed * speed - FAN_LOSS_INWC * (flow / design.design_flow_acfm) ** 2
        )
        power_kw = fan_power_kw(flow, static)
        load = power_kw * MOTOR_EFFICIENCY / 0.746 / design.motor_hp
        idle_a, load_a = 0.35 * design.motor_full_load_a, 0.92 * load * design.motor_full_load_a
        return Sample(
            hours=self._seconds / 3600.0, dp_inwc=self._dp, flow_acfm=flow, header_psi=self._header,
            header_min_psi=self._header_min, header_between_psi=self._between, pulses=self._pulses,
            pulses_in_step=pulses_in_step, since_pulse_s=self._since_pulse_s, gas_degf=self._gas_degf,
            fan_speed=speed, fan_kw=power_kw, fan_a=sqrt(idle_a**2 + load_a**2) if self._world.fan_on else 0.0,
            hopper=self._hopper_ft3 / design.hopper_ft3, cleaning=self._cleaning, residual_drag=self._residual,
        )  # fmt: skip


def run(collector: Collector, hours: float, *, step_s: float, world: World = HEALTHY) -> Iterable[Sample]:
    """The samples of `hours` under one world, one each `step_s`."""
    for _ in range(round(hours * 3600.0 / step_s)):
        yield collector.step(step_s, world)
