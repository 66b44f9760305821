"""What a sound site may differ by from its description: one deviation of each tolerance, run on the bench."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from diagnostics.causes import CAUSES, Misreading, Setting
from diagnostics.chain.describable import pump_end_of
from diagnostics.chain.power_table_speed import CoupledTableEnd
from diagnostics.evidence.features import FEATURE_NAMES, POSITION
from diagnostics.health import HEALTHY, Health
from diagnostics.inference.fault_bench import FaultBench
from diagnostics.inference.other_source import VOLTAGE_DEVIATION, SourceSample, source_shifts
from diagnostics.site import Site

Vector = NDArray[np.float64]
SENSOR_DEPTH_M = 0.3        # standard uncertainty of the depth at which a level sensor was hung


def tolerance_runs(setting: Setting) -> dict[str, tuple[Health, Misreading]]:
    """
    Return one standard deviation of each tolerance as a health or a misreading.

    Module power and irradiance sensor 4 % together, live voltage 1.5 %, cell temperature 4 K (mounting and wind are
    not described); survey of level and height 3 % of head with the dipped level's own uncertainty; developed head
    3.5 % and efficiency 4 % after the grades of pump acceptance (ISO 9906 grade 3B allows 7 % head and 9 % flow,
    taken as two standard deviations). A displacement pump's sheet says nothing of its mechanical efficiency, which
    must be inferred from the motor plate: 12 %. Friction 30 % of what is computed (bore tolerance goes with the fifth
    power, fittings are rarely counted) and 1 % of head.
    """
    well = setting.site.well
    level = well.level_uncertainty_m if well.level_uncertainty_m is not None else (0.1 if well.kind == "open" else 1.0)
    survey = 0.03 * setting.head_m
    loss = (0.3 * setting.friction_m + 0.01 * setting.head_m) / setting.rated_flow_m3_s**2
    pump = setting.site.pump
    efficiency = 1.12 if pump.displacement_m3_rev is not None else 1.05 if pump.power_table else 1.04
    sound = Misreading()
    found = {
        "array": (Health(irradiance_ratio=0.96), sound),
        "efficiency": (Health(motor_efficiency_ratio=efficiency), sound),
        "friction": (Health(delivery_loss_s2_m5=loss), sound),
        "voltage": (Health(voltage_ratio=0.985), sound),
        "temperature": (HEALTHY, Misreading(module_temperature_k=4.0)),
    }
    if setting.level_logged:
        # The sensor shows the rest level itself: heights may still be surveyed wrong, the described level by no more
        # than its own uncertainty and that of the depth at which the sensor hangs.
        found["head"] = (Health(extra_static_head_m=survey), sound)
        found["rest level"] = (Health(extra_static_level_m=float(np.hypot(level, SENSOR_DEPTH_M))), sound)
    else:
        found["head"] = (Health(extra_static_level_m=float(np.hypot(level, survey))), sound)
    if well.drawdown_linear_s_m2 + well.drawdown_quadratic_s2_m5 > 0.0:
        # A test pumping of hours says what a well gives over months to about a third.
        found["drawdown"] = (Health(well_loss_ratio=1.3), sound)
    if setting.site.drive.kind not in ("direct", "battery_bus"):
        # Where speed and power limits bite is set in the drive and rounded on the sheet. A booster goes no higher than
        # the voltage its motor may have, which is rarely printed, and what the motor then takes hangs on its head.
        boosts = setting.site.drive.kind in ("current_booster", "voltage_booster")
        found["limit"] = (Health(power_cap_w=(0.8 if boosts else 0.92) * setting.rated_power_w), sound)
    motor = _motor_tolerance(setting.site)
    if motor > 0.0:
        found["motor"] = (Health(motor_constant_ratio=1.0 + motor), sound)
    if pump.family in CAUSES["worn_pump"].families:
        form = next(form for form in CAUSES["worn_pump"].forms if form.applies(setting))
        if form.health is not None:
            found["pump"] = (form.health(0.035 if form.name == "stage head" else 0.3, setting), sound)
    return found


def _motor_tolerance(site: Site) -> float:
    """
    One deviation of the volts per turn of a motor that is coupled straight to its array; 0 for all others.

    Magnets and windings differ by 2 % between motors of a plate, itself rounded, and magnets lose 0.1 to 0.2 % a kelvin
    (common practice): a warm motor takes more amperes at fewer volts. Of a pump known by a table of flow against power
    the speed is reckoned, and open as far as that says.
    """
    if site.drive.kind != "direct" or site.pump.motor.kind == "induction":
        return 0.0
    end = pump_end_of(site)
    reckoned = end.speed_uncertainty if isinstance(end, CoupledTableEnd) else 0.0
    return float(np.hypot(0.03, reckoned))


def gauge_shift(bench: FaultBench, healthy: Any) -> Vector:
    """Return what it does to the pressure if the gauge sits on the other side of the riser than assumed."""
    shift = np.zeros(len(FEATURE_NAMES))
    rated = np.array([bench.setting.rated_flow_m3_s])
    part = 0.7 * float(np.ravel(bench.floats(healthy.side.losses.riser.at(rated)))[0]) / bench.setting.head_m
    shift[POSITION["pressure_low_flow"]], shift[POSITION["pressure_high_flow"]] = 0.2 * part, 0.75 * part
    return shift


def gauge_height_shift(setting: Setting) -> Vector:
    """
    Return what 0.7 m of gauge height and zero does to the pressure, at every flow alike.

    No sheet says at which height a gauge is tapped or in what state its zero is: common practice, half a metre each.
    """
    shift = np.zeros(len(FEATURE_NAMES))
    shift[POSITION["pressure_low_flow"]] = shift[POSITION["pressure_high_flow"]] = 0.7 / setting.head_m
    return shift


def bus_shift(bench: FaultBench, source: SourceSample) -> Vector:
    """Return what it does to the pump's rate on its battery if the motor turns slower for its voltage than due."""
    shift = np.zeros(len(FEATURE_NAMES))
    lowered = bench.run_source(source.lowered(VOLTAGE_DEVIATION), HEALTHY, Misreading())
    sound = bench.run_source(source, HEALTHY, Misreading())
    moved = lowered | {name: sound[name] for name in ("due_power_w", "due_flow_m3_s")}
    for name, size in source_shifts(source, moved, bench.setting.rated_power_w).items():
        shift[POSITION[name]] = size
    return shift
