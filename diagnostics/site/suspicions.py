"""What is possible but hardly ever true: feet written as metres, swapped coordinates, an array facing the pole."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from diagnostics.site.model import Site
from diagnostics.site.pump import SURFACE

FEET_IN_A_METRE = 1 / 0.3048


@dataclass(frozen=True, slots=True)
class Suspicion:
    """One doubt about a description; `where` is the key path it hangs on."""

    where: str
    says: str
    mend: str


def suspicions(site: Site) -> list[Suspicion]:
    """
    Return everything about a valid description that is hardly ever true.

    Parameters
    ----------
    site : Site
        A description that passed its own checks.

    Returns
    -------
    doubts : list of Suspicion
        Empty where nothing is strange. None of them keeps a site from being diagnosed.
    """
    checks = (_place, _array_direction, _array_size, _array_voltage, _lift_and_pump, _pipe_length, _pipe_bore,
              _suction, _guarantee, _meter)
    return [doubt for check in checks for doubt in check(site)]


def static_lift_m(site: Site) -> float:
    """Return the lift at rest: water surface to outlet, with the pressure held there. [m]"""
    return (site.well.static_water_level_m + site.pipework.outlet_height_m
            + site.pipework.outlet_pressure_pa / (998.2 * 9.80665))


def highest_head_m(site: Site) -> float | None:
    """Return the highest head the pump's description knows, at the highest speed its drive allows. [m]"""
    pump = site.pump
    if pump.curve:
        top = max(site.drive.max_speed_rpm or pump.rated_speed_rpm, pump.rated_speed_rpm) / pump.rated_speed_rpm
        return max(point.head_m for point in pump.curve) * top**2
    if pump.max_head_m is not None:
        return pump.max_head_m
    if pump.power_table:
        return max(point.head_m for point in pump.power_table)
    return None


def rated_flow_m3_s(site: Site) -> float | None:
    """Return a flow typical of the pump at full power, for orders of magnitude only. [m3/s]"""
    pump = site.pump
    if pump.curve:
        return pump.curve[len(pump.curve) // 2].flow_m3_s or None
    if pump.power_table:
        return max(point.flow_m3_s for point in pump.power_table) or None
    if pump.displacement_m3_rev is not None:
        return pump.displacement_m3_rev * pump.rated_speed_rpm / 60
    return None


def _place(site: Site) -> Iterator[Suspicion]:
    offsets = _utc_offsets_h(site.timezone)
    if site.latitude_deg == 0 and site.longitude_deg == 0:
        yield Suspicion("latitude_deg", "latitude and longitude are both 0, a point in the sea.",
                        "Write the coordinates of the site.")
        return
    if site.timezone.upper() in {"UTC", "GMT", "ETC/UTC", "ETC/GMT"}:
        return
    here, swapped = _hours_off(site.longitude_deg, offsets), _hours_off(site.latitude_deg, offsets)
    if here <= 3:
        return
    if swapped <= 1.5 and abs(site.longitude_deg) <= 90:
        yield Suspicion("latitude_deg", f"longitude {site.longitude_deg:g} does not lie in {site.timezone}, but "
                        f"latitude {site.latitude_deg:g} would.", "Check whether latitude and longitude were swapped.")
    elif _hours_off(-site.longitude_deg, offsets) <= 1.5:
        yield Suspicion("longitude_deg", f"longitude {site.longitude_deg:g} does not lie in {site.timezone}, but "
                        f"{-site.longitude_deg:g} would.", "West of Greenwich is written with a minus sign.")
    else:
        yield Suspicion("timezone", f"the sun at longitude {site.longitude_deg:g} is {here:.1f} hours away from the "
                        f"clock of {site.timezone}.", "Check the time zone and the sign of the longitude (west is "
                        "negative).")


def _utc_offsets_h(timezone: str) -> list[float]:
    zone = ZoneInfo(timezone)
    both = [datetime(2024, month, 15, 12, tzinfo=zone).utcoffset() or timedelta() for month in (1, 7)]
    return [offset.total_seconds() / 3600 for offset in both]


def _hours_off(longitude_deg: float, offsets_h: list[float]) -> float:
    return min(abs((longitude_deg / 15 - offset + 12) % 24 - 12) for offset in offsets_h)


def _array_direction(site: Site) -> Iterator[Suspicion]:
    array = site.array
    if array is None or array.mount == "single_axis_tracker":
        return
    tilt = max([array.tilt_deg, *array.seasonal_tilts_deg.values()])
    if tilt > 75 and abs(site.latitude_deg) < 60:
        yield Suspicion("array.tilt_deg", f"a tilt of {tilt:g} degrees is nearly upright.",
                        "Tilt is counted from horizontal: 0 lies flat, 90 stands.")
    from_north = min(array.azimuth_deg, 360 - array.azimuth_deg)
    to_pole = from_north if site.latitude_deg > 0 else 180 - from_north
    if tilt > 15 and to_pole < 60 and abs(site.latitude_deg) > 5:
        pole, equator = ("north", "south") if site.latitude_deg > 0 else ("south", "north")
        yield Suspicion("array.azimuth_deg", f"an azimuth of {array.azimuth_deg:g} faces the {pole} pole at latitude "
                        f"{site.latitude_deg:g} with a tilt of {tilt:g} degrees.",
                        f"Azimuth is counted clockwise from north: 0 north, 90 east, 180 south, 270 west; arrays here "
                        f"face {equator} as a rule.")


def _array_size(site: Site) -> Iterator[Suspicion]:
    if site.array is None or "pump" in site.parts_absent:
        return
    array_w, motor_w = site.array.nominal_power_w, site.pump.motor.rated_power_w
    if not 1 / 6 <= array_w / motor_w <= 6:
        yield Suspicion("array", f"the array has {array_w:g} W but the motor is rated {motor_w:g} W.",
                        "Check the number of modules and whether the motor's power was written in kW or hp.")
    cap = site.drive.max_output_power_w
    if cap is not None and cap < 0.3 * motor_w:
        yield Suspicion("drive.max_output_power_w", f"the drive gives at most {cap:g} W to a motor of {motor_w:g} W.",
                        "Check the unit of the two.")


def coldest_cell_temperature_c(latitude_deg: float, altitude_m: float) -> float:
    """Return a low morning cell temperature to expect; our own rough figure, for a warning only. [degC]"""
    return 5.0 - 0.7 * max(0.0, abs(latitude_deg) - 15.0) - 0.0065 * max(0.0, altitude_m)


def _array_voltage(site: Site) -> Iterator[Suspicion]:
    if site.array is None or "drive" in site.parts_absent:
        return
    module, series, drive = site.array.module, site.array.modules_in_series, site.drive
    open_circuit = module.voc_v * series
    if drive.max_input_voltage_v is not None:
        cold = coldest_cell_temperature_c(site.latitude_deg, site.altitude_m)
        cold_voltage = open_circuit * (1 + module.temperature_coefficient_voc_per_k * (cold - 25))
        if cold_voltage > drive.max_input_voltage_v:
            yield Suspicion("array.modules_in_series", f"{series} modules in series reach {cold_voltage:.0f} V open "
                            f"circuit at {cold:.0f} degC; the drive takes {drive.max_input_voltage_v:g} V.",
                            "Check the count with the drive's sheet; too high a voltage destroys a drive. Opening DC "
                            "circuits is work for a licensed electrician.")
    if drive.held_voltage_v is not None and not 0.55 <= drive.held_voltage_v / open_circuit <= 0.92:
        yield Suspicion("drive.held_voltage_v", f"the drive holds {drive.held_voltage_v:g} V, "
                        f"{drive.held_voltage_v / open_circuit:.0%} of the array's open-circuit {open_circuit:g} V.",
                        "About 75 to 85 % is usual; check the setting and the modules in series.")
    if drive.kind == "direct" and "pump" not in site.parts_absent:
        ratio = module.vmp_v * series / site.pump.motor.rated_voltage_v
        if not 0.6 <= ratio <= 2.0:
            yield Suspicion("array.modules_in_series", f"the array works near {module.vmp_v * series:g} V but the "
                            f"motor without a drive is rated {site.pump.motor.rated_voltage_v:g} V.",
                            "Check the modules in series and the motor's voltage.")


def _has_water_path(site: Site) -> bool:
    return not site.lacks("pump", "well", "pipework")


def _lift_and_pump(site: Site) -> Iterator[Suspicion]:
    if not _has_water_path(site):
        return
    lift, top = static_lift_m(site), highest_head_m(site)
    if top is None:
        return
    if lift > top:
        feet = " Taken as feet the lift would suit the pump." if lift / FEET_IN_A_METRE <= 0.9 * top else ""
        yield Suspicion("well.static_water_level_m", f"the lift at rest is {lift:.1f} m but the pump reaches at most "
                        f"{top:.1f} m.", f"Check whether depths or heights in feet were written under a key in "
                        f"_m, or the pump's head in bar or feet.{feet}")
    elif lift < 0.05 * top and site.pump.family not in SURFACE:
        yield Suspicion("well.static_water_level_m", f"the lift at rest is {lift:.1f} m for a pump that reaches "
                        f"{top:.1f} m.", "Check whether the pump's heads were written in feet under a key in _m, "
                        "and the depths of the well.")


def _pipe_length(site: Site) -> Iterator[Suspicion]:
    depth = site.well.pump_setting_depth_m
    if not _has_water_path(site) or depth is None or site.pump.family in SURFACE:
        return
    way = depth + max(0.0, site.pipework.outlet_height_m)
    length = sum(run.length_m for run in site.pipework.runs)
    if 0 < length < 0.8 * way:
        feet = " The pipe fits if the depths are feet." if 0.8 * way / FEET_IN_A_METRE <= length else ""
        yield Suspicion("pipework.runs", f"all runs together are {length:g} m, shorter than the way from the pump to "
                        f"the outlet ({way:g} m).", f"Add the missing run, or check for feet and metres.{feet}")


def _pipe_bore(site: Site) -> Iterator[Suspicion]:
    flow = rated_flow_m3_s(site)
    if not _has_water_path(site) or flow is None:
        return
    for number, run in enumerate(site.pipework.runs, start=1):
        speed = flow / (math.pi / 4 * run.bore_m**2)
        if run.length_m > 0 and not 0.02 <= speed <= 6:
            yield Suspicion(f"pipework.runs[{number}].bore_m", f"at about {flow * 1000:.2g} L/s water would run "
                            f"{speed:.2g} m/s through a bore of {run.bore_m * 1000:g} mm.",
                            "Check the bore's unit (bore_mm, bore_in) and the unit of the pump's flow.")


def _suction(site: Site) -> Iterator[Suspicion]:
    if not _has_water_path(site) or site.pump.family not in SURFACE - {"jet_deep", "jet_convertible"}:
        return
    lift = site.well.static_water_level_m + site.pipework.pump_height_m
    limit = 7.5 - 0.0011 * site.altitude_m
    if lift > limit:
        yield Suspicion("pipework.pump_height_m", f"a {site.pump.family} would have to suck {lift:.1f} m up; at "
                        f"{site.altitude_m:g} m above the sea little over {max(limit, 0):.1f} m is possible.",
                        "Check the level's unit, and whether the pump stands lower than the ground (a negative "
                        "pump_height).")


def _guarantee(site: Site) -> Iterator[Suspicion]:
    promise = site.guarantee
    if promise is None or not _has_water_path(site):
        return
    lift = static_lift_m(site)
    if promise.total_dynamic_head_m is not None and lift > 2:
        ratio = promise.total_dynamic_head_m / lift
        if not 0.5 <= ratio <= 2.5:
            yield Suspicion("guarantee.total_dynamic_head_m", f"the guarantee speaks of "
                            f"{promise.total_dynamic_head_m:.1f} m, the lift at rest is {lift:.1f} m.",
                            "Check feet and metres in both.")
    if promise.daily_volume_m3 and promise.daily_irradiation_kwh_m2 and site.array is not None:
        head = promise.total_dynamic_head_m or lift
        water_kwh = 998.2 * 9.80665 * promise.daily_volume_m3 * head / 3.6e6
        sun_kwh = promise.daily_irradiation_kwh_m2 * site.array.nominal_power_w / 1000
        if water_kwh > 0.7 * sun_kwh:
            yield Suspicion("guarantee.daily_volume_m3", f"the promised water takes {water_kwh:.2f} kWh a day at "
                            f"{head:.0f} m, the array gives about {sun_kwh:.2f} kWh; no pump turns more than 70 % of "
                            "it into lift.", "Check the volume's unit (L, gal, m3) and the head's.")


def _meter(site: Site) -> Iterator[Suspicion]:
    meter = site.flow_meter
    flow = None if "pump" in site.parts_absent else rated_flow_m3_s(site)
    if flow is not None and meter.floor_m3_s > flow:
        yield Suspicion("flow_meter.floor_m3_s", f"the meter is said to show {meter.floor_m3_s * 1000:g} L/s at "
                        f"standstill, more than the pump gives.", "Check the unit.")
    if flow is not None and meter.pulse_volume_m3 is not None and meter.pulse_volume_m3 > 600 * flow:
        yield Suspicion("flow_meter.pulse_volume_m3", f"one pulse stands for {meter.pulse_volume_m3:g} m3, more than "
                        "ten minutes of pumping.", "Check the unit: pulse_volume_l = 10 is ten litres a pulse.")
