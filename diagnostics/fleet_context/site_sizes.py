"""How great a site's readings are each day, and how great its sheet lets them be: what tells one plant from another."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.clock_mend import as_numbers
from diagnostics.quality.context import greatest_flow_on_sheet
from diagnostics.readings import SiteReadings
from diagnostics.site import Site

Vector = NDArray[np.float64]

SIZES = ("array_voltage_v", "array_power_per_light_m2", "flow_m3_s")
LEAST_LIGHT_W_M2 = 400.0
LEAST_ROWS = 3              # in such light, of one day
RUNS = 0.1                  # of the greatest power or flow of the record, above which the pump is taken to run
# A tracking drive holds the array near its best voltage, a tenth below the label's for warmth; a load without
# electronics and a battery put it anywhere below.
_VOLTAGE_SHARE, _VOLTAGE_SPREAD = 0.92, 0.10
_FREE_VOLTAGE_SHARE, _FREE_VOLTAGE_SPREAD = 0.85, 0.30
_SETS_VOLTAGE = ("tracking", "frequency", "voltage_booster")
# Light gives an array four fifths of its label; a small pump on a large one takes far less, and nothing takes more.
_POWER_SHARE, _POWER_SPREAD_LOW, _POWER_SPREAD_HIGH = 0.80, 0.35, 0.15
# A pump chosen for its head gives most of the greatest flow of its sheet in full sun; faults make it less, hardly more.
_FLOW_SHARE, _FLOW_SPREAD_LOW, _FLOW_SPREAD_HIGH = 0.85, 0.50, 0.20
# What no fault can do: more running voltage than a cold array has at rest, more power than its label in strong light,
# more flow than half as much again as the sheet ends with.
_MOST_OF_REST, _MOST_OF_LABEL, _MOST_OF_FLOW = 1.05, 1.35, 1.50
# A level light sensor shows less than a plane one while the sun is low.
_LEVEL_LIGHT_MORE = 1.3


@dataclass(frozen=True, slots=True)
class SheetSizes:
    """What a sheet lets readings be: usual size, spread below and above it as logarithms, and the most; by `SIZES`."""

    usual: Vector
    spread_low: Vector
    spread_high: Vector
    most: Vector


def sizes_by_day(site: Site, readings: SiteReadings) -> pd.DataFrame:
    """
    Sizes of the readings of one site on each local day, from the readings alone.

    Parameters
    ----------
    site : Site
        For its local days.
    readings : SiteReadings
        As the files give them; masks of physics must not have been laid over them, for they hold the sheet.

    Returns
    -------
    sizes : DataFrame
        Index local day, columns `SIZES`: running array voltage [V], array power over light [m2], flow [m3/s]; days
        without strong light are absent, sizes that are not logged NaN.
    """
    light = as_numbers(readings, "poa_irradiance_w_m2")
    level = as_numbers(readings, "global_horizontal_irradiance_w_m2")
    light = np.where(np.isfinite(light), light, level)
    voltage, flow = as_numbers(readings, "array_voltage_v"), as_numbers(readings, "flow_m3_s")
    power = as_numbers(readings, "array_power_w")
    power = np.where(np.isfinite(power), power, voltage * as_numbers(readings, "array_current_a"))
    with np.errstate(invalid="ignore", divide="ignore"):
        strong = light > LEAST_LIGHT_W_M2
        runs = strong & ((power > RUNS * _top(power)) | (~np.isfinite(power) & (flow > RUNS * _top(flow))))
        per_light = power / light
    local = readings.mid_interval_utc().tz_convert(site.timezone)
    table = pd.DataFrame({"day": local.date, SIZES[0]: voltage, SIZES[1]: per_light, SIZES[2]: flow})[runs]
    by_day = table.groupby("day")
    sizes = pd.DataFrame({SIZES[0]: by_day[SIZES[0]].median(), SIZES[1]: by_day[SIZES[1]].quantile(0.8),
                          SIZES[2]: by_day[SIZES[2]].quantile(0.9)})
    enough = by_day[list(SIZES)].count() >= LEAST_ROWS
    return sizes.where(enough & (sizes > 0.0)).dropna(how="all")


def _top(values: Vector) -> float:
    return float(np.nanpercentile(values, 98.0)) if np.isfinite(values).any() else float("nan")


def sheet_sizes(site: Site) -> SheetSizes | None:
    """
    What the sheet of a site lets its readings be.

    Parameters
    ----------
    site : Site

    Returns
    -------
    sizes : SheetSizes or None
        None for a site without array or pump: nothing there tells two plants apart.
    """
    array = site.array
    if array is None or "pump" in site.parts_absent or "array" in site.parts_absent:
        return None
    best_v = array.module.vmp_v * array.modules_in_series
    rest_v = array.module.voc_v * array.modules_in_series
    label_m2 = array.nominal_power_w / 1000.0
    flow = greatest_flow_on_sheet(site.pump) or np.nan
    sets = site.drive.kind in _SETS_VOLTAGE
    share, spread = (_VOLTAGE_SHARE, _VOLTAGE_SPREAD) if sets else (_FREE_VOLTAGE_SHARE, _FREE_VOLTAGE_SPREAD)
    return SheetSizes(
        usual=np.array([share * best_v, _POWER_SHARE * label_m2, _FLOW_SHARE * flow]),
        spread_low=np.array([spread, _POWER_SPREAD_LOW, _FLOW_SPREAD_LOW]),
        spread_high=np.array([spread, _POWER_SPREAD_HIGH, _FLOW_SPREAD_HIGH]),
        most=np.array([_MOST_OF_REST * rest_v, _MOST_OF_LABEL * _LEVEL_LIGHT_MORE * label_m2, _MOST_OF_FLOW * flow]))
