"""Causes drawn for proving sites: only those a site can have, over the sizes and courses met in the field."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date

import numpy as np

from diagnostics.proving.drawing import DrawnSite, Variant, draw_site
from diagnostics.proving.planting import PlantedFault, Shape
from diagnostics.proving.simulate import Plant, simulate_many
from diagnostics.proving.variants import held_out_fault
from diagnostics.site import POSITIVE_DISPLACEMENT, SURFACE, Site

Draw = Callable[[np.random.Generator, DrawnSite], float]


def _between(low: float, high: float) -> Draw:
    return lambda rng, drawn: float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _of_head(low: float, high: float) -> Draw:
    return lambda rng, drawn: drawn.truth.machine.head_m * float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _either_way(low: float, high: float) -> Draw:
    return lambda rng, drawn: float(rng.choice([-1.0, 1.0]) * np.exp(rng.uniform(np.log(low), np.log(high))))


def _one(rng: np.random.Generator, drawn: DrawnSite) -> float:
    return 1.0


def _ohms(rng: np.random.Generator, drawn: DrawnSite) -> float:
    array = drawn.site.array
    if array is None:
        return 0.0
    whole = (array.module.vmp_v * array.modules_in_series) / (array.module.imp_a * array.strings_in_parallel)
    return whole * float(np.exp(rng.uniform(np.log(0.04), np.log(0.3))))


def _substrings(rng: np.random.Generator, drawn: DrawnSite) -> float:
    array = drawn.site.array
    if array is None:
        return 0.0
    # A string that is bypassed as a whole is an open string by another name.
    return float(min(rng.choice([1, 2, array.module.bypass_diodes]),
                     max(1, array.module.bypass_diodes * array.modules_in_series - 1)))


def _worn(rng: np.random.Generator, drawn: DrawnSite) -> float:
    low, high = (2.0, 7.0) if drawn.site.pump.family in POSITIVE_DISPLACEMENT else (0.06, 0.35)
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _poor_yield(rng: np.random.Generator, drawn: DrawnSite) -> float:
    """Times the aquifer's drawdown at which the probe comes into play, and beyond."""
    well, flow = drawn.site.well, drawn.truth.machine.flow_m3_s
    room = (well.low_water_probe_depth_m or well.pump_setting_depth_m or 0.0) - drawn.truth.static_level_m
    return max(1.5, room / max(well.drawdown_linear_s_m2 * flow, 0.2)) * float(rng.uniform(1.1, 2.5))


@dataclass(frozen=True)
class Kind:
    """How one cause is drawn: size, shapes, ramp, and where it can occur."""

    size: Draw
    shapes: tuple[Shape, ...]
    fits: Callable[[Site], bool]
    ramp_days: tuple[float, float] = (20.0, 90.0)
    weight: float = 1.0
    channels: tuple[str, ...] = field(default=())


def _array(site: Site) -> bool:
    return site.array is not None


def _electronic(site: Site) -> bool:
    return site.array is not None and site.drive.kind in ("tracking", "frequency", "voltage_booster")


def _well(site: Site) -> bool:
    return site.well.kind != "open"


def _any(site: Site) -> bool:
    return True


def _riser(site: Site) -> bool:
    return site.pump.family not in SURFACE


def _on_suction(site: Site) -> bool:
    return site.pump.family in SURFACE and site.well.static_water_level_m + site.pipework.pump_height_m > 0.3


def _floated(site: Site) -> bool:
    return site.tank is not None and site.drive.has_float_input


KINDS: dict[str, Kind] = {
    "soiled_array": Kind(_between(0.0025, 0.012), ("ramp",), _array, weight=2.0),
    "string_open": Kind(_one, ("step",), lambda s: s.array is not None and s.array.strings_in_parallel > 1, weight=1.5),
    "module_bypassed": Kind(_substrings, ("step",), _array),
    "wiring_resistance": Kind(_ohms, ("step", "ramp"), _array),
    "shaded_array": Kind(_between(0.25, 0.7), ("step", "ramp", "seasonal"), _array),
    "array_degraded": Kind(_between(0.06, 0.3), ("day_one", "ramp"), _array, (90.0, 220.0)),
    "off_mpp": Kind(_between(0.08, 0.5), ("step", "day_one", "intermittent"), _electronic),
    "drive_derated": Kind(_between(0.15, 0.6), ("step",), _electronic),
    "drive_limited": Kind(_between(0.2, 0.55), ("step", "day_one"), _electronic),
    "drive_stopped": Kind(_one, ("step", "intermittent"), lambda s: s.drive.kind != "direct", weight=1.5),
    "falling_water_table": Kind(_of_head(0.06, 0.35), ("ramp", "seasonal"), _well, (30.0, 110.0), 2.0),
    "screen_fouled": Kind(_between(3.0, 12.0), ("ramp",), lambda s: s.well.kind == "borehole", (40.0, 150.0)),
    "low_water_cutout": Kind(_poor_yield, ("ramp", "step"),
                             lambda s: s.drive.has_low_water_stop and s.well.kind == "borehole", weight=1.5),
    "clogged_intake": Kind(_between(0.12, 1.2), ("ramp", "step"), _any, (6.0, 60.0), 2.0),
    "blocked_delivery": Kind(_between(0.12, 1.2), ("ramp", "step"), _any, (15.0, 120.0), 1.5),
    "worn_pump": Kind(_worn, ("ramp", "day_one"), _any, (40.0, 150.0), 2.0),
    "riser_leak": Kind(_between(0.06, 0.5), ("step", "ramp"), _riser, (10.0, 60.0), 1.5),
    "check_valve_leak": Kind(_between(0.02, 0.4), ("step",), _riser),
    "lost_prime": Kind(_between(0.25, 1.0), ("step",), _on_suction),
    "motor_fault": Kind(_between(0.08, 0.35), ("ramp", "step"), _any, (20.0, 80.0)),
    "wrong_head": Kind(_of_head(0.08, 0.3), ("day_one",), _any),
    "stuck_float": Kind(lambda rng, drawn: float(rng.choice([-1.0, 1.0])), ("step",), _floated),
    "overflow": Kind(_one, ("step",), _floated, weight=0.5),
    "tank_leak": Kind(_between(0.08, 0.6), ("step", "ramp"), lambda s: s.tank is not None),
    "meter_under_reading": Kind(_between(0.08, 0.5), ("ramp", "step", "day_one"), _any, (30.0, 150.0), 1.5),
    "meter_over_reading": Kind(_between(0.1, 1.0), ("step", "day_one"), _any),
    "meter_stopped": Kind(_one, ("step",), _any, weight=1.5),
    "totaliser_reset": Kind(_one, ("step",), _any, weight=0.5),
    "irradiance_sensor_fault": Kind(_either_way(0.06, 0.3), ("step", "ramp", "day_one"), _array),
    "temperature_sensor_fault": Kind(_either_way(8.0, 30.0), ("step",), _array),
    "level_sensor_fault": Kind(_either_way(0.5, 6.0), ("step", "ramp"), _any),
    "electrical_sensor_fault": Kind(_either_way(0.07, 0.35), ("step", "day_one"), _array),
    "clock_shift": Kind(lambda rng, drawn: float(rng.choice([-180, -120, -60, 60, 120, 180])), ("step",), _array),
    "swapped_channels": Kind(_one, ("step", "day_one"), _array, weight=0.5),
    "unit_mistake": Kind(lambda rng, drawn: float(rng.choice([3.785, 1 / 3.785, 0.06, 16.67, 10.0, 0.1])),
                         ("step", "day_one"), _any, weight=0.7, channels=("flow_m3_s",)),
    "logger_silent": Kind(_one, ("step",), _any),
    "battery_weak": Kind(_between(0.4, 0.9), ("step", "ramp"), lambda s: s.battery is not None, weight=4.0),
    "charging_fault": Kind(_between(0.4, 0.95), ("step",), lambda s: s.battery is not None, weight=4.0),
    "wind_source_fault": Kind(_between(0.2, 0.8), ("step",), lambda s: s.wind is not None, weight=8.0),
    "cavitation": Kind(_between(3.0, 9.0), ("step", "ramp"), lambda s: s.pump.family in SURFACE, weight=0.7),
    "air_in_line": Kind(_between(0.3, 1.2), ("step",), lambda s: s.pump.family.endswith("booster"), weight=2.0),
}

_NEEDS_CHANNEL = {
    "level_sensor_fault": ("water_level_m", "tank_level_m"), "totaliser_reset": ("meter_total_m3",),
    "temperature_sensor_fault": ("module_temperature_c", "air_temperature_c"),
    "electrical_sensor_fault": ("array_current_a",), "swapped_channels": ("array_voltage_v",),
    "irradiance_sensor_fault": ("poa_irradiance_w_m2", "global_horizontal_irradiance_w_m2")}


@dataclass(frozen=True)
class DrawnPlant:
    """A drawn site with what is planted in it."""

    drawn: DrawnSite
    faults: tuple[PlantedFault, ...]
    dull_days: tuple[int, int] | None = None

    @property
    def cause(self) -> str:
        """Planted cause, 'sound' where there is none; states are no causes."""
        causes = [f.cause for f in self.faults if f.cause not in ("tank_full", "switched_off")]
        return causes[0] if causes else "sound"


def possible_causes(drawn: DrawnSite) -> list[str]:
    """
    Causes that a site can have and that its logger at least records something of.

    Parameters
    ----------
    drawn : DrawnSite

    Returns
    -------
    causes : list of str
    """
    out = []
    for cause, kind in KINDS.items():
        needed = _NEEDS_CHANNEL.get(cause)
        logged = needed is None or any(name in drawn.truth.channels for name in needed)
        if kind.fits(drawn.site) and logged:
            out.append(cause)
    return out


def draw_fault(rng: np.random.Generator, drawn: DrawnSite, days: int, cause: str | None = None) -> PlantedFault:
    """
    Draw one cause with its size, shape and start; at least a sixth of the record comes before it unless from day one.

    Parameters
    ----------
    rng : numpy.random.Generator
    drawn : DrawnSite
    days : int
    cause : str, optional

    Returns
    -------
    fault : PlantedFault
    """
    if cause is None:
        causes = possible_causes(drawn)
        weights = np.array([KINDS[c].weight for c in causes])
        cause = str(rng.choice(causes, p=weights / weights.sum()))
    kind = KINDS[cause]
    shape: Shape = kind.shapes[int(rng.integers(0, len(kind.shapes)))]
    start = 0.0 if shape == "day_one" else float(rng.uniform(days / 6, days * (0.7 if shape == "step" else 0.55)))
    details: dict[str, float] = {}
    if cause == "shaded_array":
        morning = rng.random() < 0.5
        details = {"azimuth_low": 60.0 if morning else 200.0, "azimuth_high": 160.0 if morning else 300.0,
                   "below_elevation": float(rng.uniform(28, 60))}
    elif shape == "intermittent":
        details = {"share_of_time": float(rng.uniform(0.2, 0.6))}
    channel = kind.channels[0] if kind.channels else ""
    if cause == "swapped_channels":
        channel = "array_voltage_v|array_current_a"
    ramp = float(rng.uniform(*kind.ramp_days))
    return PlantedFault(cause, start, kind.size(rng, drawn), shape, ramp, channel=channel, details=details)


def draw_fleet(rng: np.random.Generator, n: int, *, days: int = 240, sound_share: float = 0.42,
               pair_share: float = 0.06, families: Sequence[str] | None = None,
               regions: Sequence[str] | None = None, first_number: int = 0,
               step_s: float | None = None, sensors: str | None = None,
               variant: Variant = "training") -> list[DrawnPlant]:
    """
    Draw a proving fleet: sound sites, sites in an odd but normal state, and sites with a cause or two.

    Parameters
    ----------
    rng : numpy.random.Generator
    n : int
    days : int, default 240
    sound_share : float, default 0.42
        Of these, a quarter have a full tank, a sun-poor spell or are switched off for a while. [1]
    pair_share : float, default 0.06
        Sites with two causes. [1]
    families, regions : sequence of str, optional
        Draw only from these, to hold families or regions out.
    first_number : int, default 0
    step_s : float, optional
        Logger interval of all. [s]
    sensors : str, optional
        Sensors of all, one of `drawing.SENSORS`; drawn where not given.
    variant : str, default 'training'
        'held_out' for physics and fault courses that nothing was tuned on.

    Returns
    -------
    fleet : list of DrawnPlant
    """
    fleet = []
    for number in range(first_number, first_number + n):
        chance = rng.spawn(1)[0]
        family = str(chance.choice(list(families))) if families else None
        region = str(chance.choice(list(regions))) if regions else None
        drawn = draw_site(chance, family, None, region, number=number, sensors=sensors, step_s=step_s,
                          variant=variant)
        faults: list[PlantedFault] = []
        dull: tuple[int, int] | None = None
        kind = chance.random()
        if kind < sound_share:
            odd = chance.random()
            start = float(chance.uniform(0.3, 0.7)) * days
            if odd < 0.10 and drawn.site.tank is not None and drawn.site.drive.has_float_input:
                faults.append(PlantedFault("tank_full", 0.0, float(chance.uniform(0.15, 0.6)), "day_one"))
            elif odd < 0.18:
                dull = (int(start), int(start) + int(chance.integers(15, 40)))
            elif odd < 0.24:
                faults.append(PlantedFault("switched_off", start, 1.0, "step", end_day=start + chance.integers(2, 12)))
        else:
            faults.append(draw_fault(chance, drawn, days))
            if kind > 1 - pair_share:
                second = draw_fault(chance, drawn, days)
                if second.cause != faults[0].cause:
                    faults.append(second)
            if variant == "held_out":
                faults = [held_out_fault(fault, chance) for fault in faults]
        fleet.append(DrawnPlant(drawn, tuple(faults), dull))
    return fleet


def like_members(fleet: Sequence[DrawnPlant]) -> list[list[int]]:
    """
    Sort plants into groups that are cheap to step together: those that sleep at night first, fine loggers last.

    Parameters
    ----------
    fleet : sequence of DrawnPlant

    Returns
    -------
    groups : list of list of int
        Positions in the fleet.
    """
    groups: dict[tuple[bool, bool], list[int]] = {}
    for i, one in enumerate(fleet):
        fine = one.drawn.truth.logger_step_s < 300.0
        nights = not fine and (one.drawn.site.battery is not None or one.drawn.site.wind is not None)
        groups.setdefault((fine, nights), []).append(i)
    return [groups[key] for key in sorted(groups)]


def run_fleet(fleet: Sequence[DrawnPlant], *, start_day: date, days: int, rng: np.random.Generator,
              at_once: int = 60, inner_step_s: float = 300.0) -> list[Plant]:
    """
    Run a drawn fleet; plants of like logger interval and like need for nights are stepped together.

    Parameters
    ----------
    fleet : sequence of DrawnPlant
    start_day : date
    days : int
    rng : numpy.random.Generator
    at_once : int, default 60
        Plants in memory together.
    inner_step_s : float, default 300.0
        Longest step of the simulation. [s]

    Returns
    -------
    plants : list of Plant
        In the order of the fleet.
    """
    out: dict[int, Plant] = {}
    for members in like_members(fleet):
        for first in range(0, len(members), at_once):
            part = members[first:first + at_once]
            ran = simulate_many([fleet[i].drawn.truth for i in part], start_day=start_day, days=days,
                                rng=rng.spawn(1)[0], faults=[fleet[i].faults for i in part],
                                dull_days=[fleet[i].dull_days for i in part], inner_step_s=inner_step_s)
            out.update(zip(part, ran, strict=True))
    return [out[i] for i in range(len(fleet))]
