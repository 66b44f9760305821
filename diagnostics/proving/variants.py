"""
Held-out variants: regions, curve shapes, losses, instruments and gaps that lie beside those of the training plants.

Nothing in the diagnosis was chosen on plants of this kind. Each draw either leaves the range of the training plants or
changes the form of a law: another exponent, another split of a loss, another pattern of gaps.
"""

from dataclasses import replace

import numpy as np

from diagnostics.proving.machines import Machine
from diagnostics.proving.planting import PlantedFault
from diagnostics.proving.sky import CLIMATES, Climate
from diagnostics.proving.truth import Instrument, TruePlant

# Regions of held-out plants; none of them is among the training regions of `sky.CLIMATES`.
HELD_OUT_CLIMATES: dict[str, Climate] = {c.name: c for c in (
    Climate("altiplano", (-20, -14), (-70, -66), "America/La_Paz", (3500, 4100), 9, 4, 330, 18, 0.05, 0.03, 250, 0.6,
            20, 45, (.62, .06, .20, .08, .02, .02, .0), (.12, .04, .24, .30, .14, .16, .0), 8, 3.6, .05),
    Climate("monsoon_coast", (10, 16), (98, 108), "Asia/Bangkok", (5, 200), 28, 3, 115, 9, 0.28, 0.12, 80, 4.4, 240, 55,
            (.34, .22, .26, .13, .04, .01, .0), (.04, .06, .20, .32, .20, .18, .0), 17, 2.2, .06),
    Climate("trade_islands", (12, 19), (-72, -60), "America/Puerto_Rico", (5, 300), 27, 2, 230, 7, 0.14, 0.08, 190, 3.6,
            290, 60, (.22, .08, .44, .20, .04, .02, .0), (.08, .06, .38, .30, .10, .08, .0), 10, 6.0, .03),
    Climate("steppe", (43, 49), (60, 80), "Asia/Almaty", (200, 900), 12, 14, 195, 14, 0.12, 0.08, 150, 1.2, 150, 50,
            (.46, .10, .22, .14, .05, .02, .01), (.26, .06, .24, .26, .10, .07, .01), 6, 4.6, .08),
)}
ALL_CLIMATES: dict[str, Climate] = {**CLIMATES, **HELD_OUT_CLIMATES}
INTERVALS_S = (60.0, 300.0, 600.0, 900.0, 1800.0, 3600.0)
INTERVAL_SHARES = (0.02, 0.25, 0.33, 0.20, 0.12, 0.08)
GAP_KINDS = ("holes", "nights", "daily", "long")
GAP_SHARES = (0.55, 0.15, 0.15, 0.15)
_LEVELS = ("water_level_m", "tank_level_m")


def held_out_machine(machine: Machine, rng: np.random.Generator) -> Machine:
    """
    Give a machine curve shapes that training plants do not have; its sheet is printed from the result.

    Parameters
    ----------
    machine : Machine
    rng : numpy.random.Generator

    Returns
    -------
    machine : Machine
    """
    u = rng.uniform
    machine = replace(machine, still_share=float(u(0.2, 0.8)), copper_share=float(u(0.25, 0.75)))
    if machine.kind == "displacement":
        return replace(machine, rub_share=float(u(0.4, 0.9)), slip_power=float(u(0.4, 1.3)),
                       slip_speed=float(u(0.0, 0.7)))
    # Flat and steep head curves, channel friction by the square, recirculation that begins earlier or later.
    return replace(machine, shutoff=float(u(1.12, 1.65)), incidence=float(u(0.02, 0.30)),
                   friction=float(u(0.08, 0.50)), churning=float(u(0.12, 0.55)),
                   friction_power=float(rng.choice([1.6, 2.0])), recirculates_below=float(u(0.3, 0.6)))


def held_out_plant(plant: TruePlant, rng: np.random.Generator) -> TruePlant:
    """
    Change a true plant where the training plants never are: heat, glass, drive, well, pipes, instruments, gaps.

    Parameters
    ----------
    plant : TruePlant
        Drawn as a training plant.
    rng : numpy.random.Generator

    Returns
    -------
    plant : TruePlant
        With `variant` set to 'held_out'.
    """
    u = rng.uniform
    # Still air and no account of wind, a close mount, or a well-ventilated one.
    still, wind = ((32.0, 0.3), (20.0, 3.0), (27.0, 6.5))[int(rng.integers(0, 3))]
    fixed = float(u(0.05, 0.35))
    with_power = float(u(0.2, 0.7)) * (1 - fixed)
    power = float(rng.choice([1.5, 2.0, 2.3]))
    rated = plant.machine.flow_m3_s
    machine = plant.machine
    if machine.kind == "displacement":
        machine = replace(machine, slip_power=float(u(0.4, 1.3)), slip_speed=float(u(0.0, 0.7)))
    else:
        machine = replace(machine, recirculation=float(u(0.0, 0.08)), leak_share=float(u(0.01, 0.06)),
                          disc_share=float(u(0.02, 0.09)))
    weights = np.array(plant.aquifer_s_m2)
    total = float(weights.sum())
    tilted = weights * np.exp(np.array([-0.8, -0.2, 0.4, 0.8]) * float(u(-1.0, 1.0)))
    aquifer = tilted * (total / tilted.sum()) if total > 0 else tilted
    return plant.replaced(
        variant="held_out", machine=machine, still_w_m2_k=still * float(u(0.92, 1.08)),
        wind_w_s_m3_k=wind * float(u(0.9, 1.1)), module_lag_s=float(u(180.0, 900.0)),
        absorbed=float(u(0.85, 0.96)), sky_loss_w_m2=float(u(40.0, 110.0)), glass=float(u(0.11, 0.22)),
        drive_shares=(fixed, with_power, 1 - fixed - with_power),
        tracking=1.0 if plant.site.drive.kind == "direct" else float(u(0.955, 0.995)),
        start_w=plant.start_w * float(u(0.85, 1.15)), stop_w=plant.stop_w * float(u(0.85, 1.15)),
        loss_power=power, turbulent_loss=plant.turbulent_loss * rated ** (1.9 - power),
        season_m=plant.season_m * float(u(0.4, 1.7)), deepest_day=int(plant.deepest_day + rng.integers(-30, 31)),
        aquifer_s_m2=tuple(float(v) for v in aquifer), roughness_m=tuple(r * float(u(0.6, 2.5))
                                                                       for r in plant.roughness_m),
        instruments={name: _worse(name, one, rng) for name, one in plant.instruments.items()},
        gap_kind=str(rng.choice(GAP_KINDS, p=GAP_SHARES)), gap_share=float(np.exp(u(np.log(0.002), np.log(0.06)))),
        low_flow_droop=float(u(0.0, 0.10)))


def _worse(name: str, plain: Instrument, rng: np.random.Generator) -> Instrument:
    """Noisier, slower and less exact than a training instrument, still within what sound ones show."""
    noisier = float(rng.uniform(1.0, 3.0)) * (float(rng.uniform(1.0, 8.0)) if name in _LEVELS else 1.0)
    return replace(plain, gain=1 + (plain.gain - 1) * 1.4, offset=plain.offset * 1.5, noise=plain.noise * noisier,
                   noise_share=plain.noise_share * noisier, lag_s=plain.lag_s * float(rng.uniform(0.5, 3.0)))


def held_out_fault(fault: PlantedFault, rng: np.random.Generator) -> PlantedFault:
    """
    Give a planted fault a course that training faults do not have: bent ramps, another loss of a worn meter.

    Parameters
    ----------
    fault : PlantedFault
    rng : numpy.random.Generator

    Returns
    -------
    fault : PlantedFault
    """
    details = dict(fault.details)
    if fault.shape == "ramp":
        details["bend"] = float(rng.choice([0.6, 1.6]))
    if fault.cause == "meter_under_reading":
        details["low_flow_extra"] = float(rng.choice([0.0, 1.2]))
    return replace(fault, details=details)
