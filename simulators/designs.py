"""The four collectors that can be played, as data. Owns numbers; must never hold state or compute a plant.

The numbers are trade knowledge from memory, tuned until the runs looked right (differential pressure inside the
cleaning band, air use near 2 scfm per 1,000 acfm while cleaning). They have not been compared with a plant.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Design:
    """One collector as built. Units: inches of water, ft/min, acfm, ft2, ft3, lb, psi (gauge), degF, seconds."""

    kind: str
    design_flow_acfm: float
    filter_area_ft2: float
    rows: int  # one pulse valve each
    dust_gr_per_acf: float  # at the inlet; 7,000 grains are one pound
    k2: float  # cake drag, in.wc per (ft/min x lb/ft2)
    clean_drag: float  # S0, in.wc per ft/min: new media
    seasoned_drag: float  # Sc: what the first weeks add
    blinding_per_h: float  # b: what each running hour adds
    start_inwc: float  # cleaning on demand starts above this
    stop_inwc: float  # and stops below this
    pulse_interval_s: float
    header_ft3: float
    valve_kv: float  # scf/s per psia
    motor_hp: float
    motor_full_load_a: float  # 460 V motor tables, from memory
    hopper_ft3: float
    filter_age_h: float  # running hours on the filters when the play begins
    fan_shutoff_inwc: float = 14.0  # P0: fan static at no flow, full speed
    gas_rise_degf: float = 15.0  # above ambient, while running
    constant_flow: bool = False  # a variable-speed drive holds the design flow
    header_recovery_s: float = 2.0  # time constant V / (14.7 Cin)
    header_leak_scfm_per_ft3: float = 0.25  # of a healthy header at 90 psig: 0.5 scfm for 2 ft3


CARTRIDGE = Design(
    kind="cartridge", design_flow_acfm=8_000, filter_area_ft2=3_616, rows=8, dust_gr_per_acf=1.5, k2=20,
    clean_drag=0.27, seasoned_drag=0.55, blinding_per_h=1.5e-4, start_inwc=3.5, stop_inwc=2.8,
    pulse_interval_s=10, header_ft3=2.0, valve_kv=0.167, motor_hp=25, motor_full_load_a=34, hopper_ft3=16,
    filter_age_h=1_000,
)  # fmt: skip
WOOD_BAGHOUSE = Design(
    kind="baghouse", design_flow_acfm=30_000, filter_area_ft2=5_000, rows=12, dust_gr_per_acf=3.0, k2=5,
    clean_drag=0.10, seasoned_drag=0.22, blinding_per_h=2e-5, start_inwc=4.0, stop_inwc=2.8,
    pulse_interval_s=10, header_ft3=4.0, valve_kv=0.30, motor_hp=100, motor_full_load_a=124, hopper_ft3=120,
    filter_age_h=2_500,
)  # fmt: skip
BIN_VENT = Design(
    kind="bin vent", design_flow_acfm=1_200, filter_area_ft2=300, rows=4, dust_gr_per_acf=10, k2=5,
    clean_drag=0.10, seasoned_drag=0.25, blinding_per_h=3e-5, start_inwc=3.0, stop_inwc=2.2,
    pulse_interval_s=15, header_ft3=0.8, valve_kv=0.07, motor_hp=5, motor_full_load_a=7.6, hopper_ft3=16,
    filter_age_h=500,
)  # fmt: skip
FOUNDRY_BAGHOUSE = Design(
    kind="baghouse", design_flow_acfm=60_000, filter_area_ft2=15_000, rows=20, dust_gr_per_acf=2.0, k2=10,
    clean_drag=0.13, seasoned_drag=0.35, blinding_per_h=4e-5, start_inwc=4.5, stop_inwc=3.2,
    pulse_interval_s=12, header_ft3=8.0, valve_kv=0.45, motor_hp=200, motor_full_load_a=240, hopper_ft3=160,
    filter_age_h=5_000,
    fan_shutoff_inwc=18.0, gas_rise_degf=40.0, constant_flow=True,
)  # fmt: skip

DESIGNS: dict[str, Design] = {
    "cartridge": CARTRIDGE,
    "wood-baghouse": WOOD_BAGHOUSE,
    "bin-vent": BIN_VENT,
    "foundry-baghouse": FOUNDRY_BAGHOUSE,
}
