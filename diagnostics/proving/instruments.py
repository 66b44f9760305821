"""What the instruments and the logger of a proving plant make of the truth."""

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from diagnostics.proving.planting import PlantedFault, course
from diagnostics.proving.truth import Instrument, TruePlant

Floats = NDArray[np.float64]


def _lagged(values: Floats, lag_s: float, step_s: float) -> Floats:
    if lag_s <= 0 or values.size == 0:
        return values
    from scipy.signal import lfilter

    memory = float(np.exp(-step_s / lag_s)) if lag_s > 0 else 0.0
    smoothed, _ = lfilter([1 - memory], [1, -memory], values, zi=[memory * values[0]])
    return np.asarray(smoothed, dtype=np.float64)


def reading_of(values: Floats, instrument: Instrument, step_s: float, rng: np.random.Generator) -> Floats:
    """
    Pass a true course through one instrument.

    Parameters
    ----------
    values : ndarray, shape (n,)
        True interval values; NaN stays NaN.
    instrument : Instrument
    step_s : float
        [s]
    rng : numpy.random.Generator

    Returns
    -------
    readings : ndarray, shape (n,)
    """
    seen = _lagged(values, instrument.lag_s, step_s) * instrument.gain + instrument.offset
    if instrument.noise > 0 or instrument.noise_share > 0:
        seen = seen + rng.standard_normal(values.size) * (instrument.noise + instrument.noise_share * np.abs(seen))
    if instrument.step > 0:
        seen = np.round(seen / instrument.step) * instrument.step
    return np.asarray(seen, dtype=np.float64)


def metered_flow(delivered_m3_s: Floats, plant: TruePlant, faults: Sequence[PlantedFault], hours: Floats,
                 step_s: float, rng: np.random.Generator) -> Floats:
    """
    What the flow meter counts of the delivered water.

    Parameters
    ----------
    delivered_m3_s : ndarray, shape (n,)
        [m³/s]
    plant : TruePlant
    faults : sequence of PlantedFault
    hours : ndarray, shape (n,)
        [h]
    step_s : float
        [s]
    rng : numpy.random.Generator

    Returns
    -------
    metered_m3_s : ndarray, shape (n,)
        [m³/s]
    """
    rated = plant.machine.flow_m3_s
    share = delivered_m3_s / rated
    instrument = plant.instruments.get("flow_m3_s", Instrument())
    droop = 1.0 - plant.low_flow_droop * np.exp(-share / 0.04)
    flow = delivered_m3_s * instrument.gain * droop * (share > 0.012)
    flow = flow * (1 + instrument.noise_share * rng.standard_normal(flow.size))
    for fault in faults:
        size = course(fault, hours, rng) * fault.size
        if fault.cause == "meter_under_reading":
            extra = fault.details.get("low_flow_extra", 0.5)
            flow = flow * np.clip(1 - size * (1 + extra * np.exp(-share / 0.15)), 0.0, 1.0)
        elif fault.cause == "meter_over_reading":
            flow = flow * (1 + size)
        elif fault.cause == "meter_stopped":
            flow = flow * (1 - np.clip(size, 0, 1))
    meter = plant.site.flow_meter
    if meter.kind == "pulse" and meter.pulse_volume_m3:
        total = np.cumsum(flow * step_s)
        pulses = np.floor(total / meter.pulse_volume_m3)
        flow = np.diff(pulses, prepend=0.0) * meter.pulse_volume_m3 / step_s
    elif meter.kind == "totaliser":
        total = np.floor(np.cumsum(flow * step_s) * 1000.0) / 1000.0
        flow = np.diff(total, prepend=0.0) / step_s
    return np.asarray(flow, dtype=np.float64)


def meter_total(metered_m3_s: Floats, plant: TruePlant, faults: Sequence[PlantedFault], hours: Floats,
                step_s: float, start_m3: float) -> Floats:
    """
    Reading of the totaliser, with resets and its roll-over.

    Parameters
    ----------
    metered_m3_s : ndarray, shape (n,)
        [m³/s]
    plant : TruePlant
    faults : sequence of PlantedFault
    hours : ndarray, shape (n,)
        [h]
    step_s : float
        [s]
    start_m3 : float
        [m³]

    Returns
    -------
    total_m3 : ndarray, shape (n,)
        [m³]
    """
    total = start_m3 + np.cumsum(metered_m3_s * step_s)
    for fault in faults:
        if fault.cause == "totaliser_reset":
            after = hours >= fault.start_day * 24.0
            if after.any():
                first = int(np.argmax(after))
                total = np.where(after, total - total[first] + metered_m3_s[first] * step_s, total)
    modulus = plant.site.flow_meter.totaliser_modulus_m3
    return np.asarray(np.mod(total, modulus) if modulus else total, dtype=np.float64)


_ALIAS = {"irradiance_sensor_fault": ("poa_irradiance_w_m2", "global_horizontal_irradiance_w_m2"),
          "temperature_sensor_fault": ("module_temperature_c", "air_temperature_c"),
          "level_sensor_fault": ("water_level_m", "tank_level_m"),
          "electrical_sensor_fault": ("array_current_a", "motor_current_a", "array_power_w")}


def with_sensor_faults(readings: Mapping[str, Floats], faults: Sequence[PlantedFault], hours: Floats,
                       rng: np.random.Generator) -> dict[str, Floats]:
    """
    Let planted instrument faults spoil the readings.

    Parameters
    ----------
    readings : mapping of str to ndarray, shape (n,)
    faults : sequence of PlantedFault
    hours : ndarray, shape (n,)
        [h]
    rng : numpy.random.Generator

    Returns
    -------
    readings : dict of str to ndarray
    """
    out = dict(readings)
    for fault in faults:
        share = course(fault, hours, rng)
        if fault.cause in _ALIAS:
            names = (fault.channel,) if fault.channel else _ALIAS[fault.cause]
            for name in [n for n in names if n in out][:1]:
                relative = fault.cause in ("irradiance_sensor_fault", "electrical_sensor_fault")
                out[name] = out[name] * (1 + share * fault.size) if relative else out[name] + share * fault.size
        elif fault.cause == "unit_mistake" and fault.channel in out:
            out[fault.channel] = np.where(share > 0, out[fault.channel] * fault.size, out[fault.channel])
        elif fault.cause == "swapped_channels":
            one, other = (fault.channel or "array_voltage_v|array_current_a").split("|")
            if one in out and other in out:
                out[one], out[other] = (np.where(share > 0, out[other], out[one]),
                                        np.where(share > 0, out[one], out[other]))
    return out


def rows_kept(n: int, plant: TruePlant, faults: Sequence[PlantedFault], hours: Floats, step_s: float,
              rng: np.random.Generator) -> NDArray[np.bool_]:
    """
    Rows the logger kept: short holes, a few long ones, and silence where that is planted.

    Parameters
    ----------
    n : int
    plant : TruePlant
    faults : sequence of PlantedFault
    hours : ndarray, shape (n,)
        [h]
    step_s : float
        [s]
    rng : numpy.random.Generator

    Returns
    -------
    kept : ndarray of bool, shape (n,)
    """
    kept = np.ones(n, dtype=bool)
    holes = rng.poisson(plant.gap_share * n * step_s / 3600.0 / 3.0)
    for _ in range(int(holes)):
        start = int(rng.integers(0, n))
        length = int(np.ceil(rng.exponential(3.0 * 3600.0 / step_s))) if rng.random() < 0.9 else int(
            rng.uniform(12, 60) * 3600.0 / step_s)
        kept[start:start + length] = False
    if plant.gap_kind != "holes":
        kept &= _pattern_kept(plant, hours, rng)
    for fault in faults:
        if fault.cause == "logger_silent":
            kept &= ~(course(fault, hours, rng) > 0)
    return kept


def _pattern_kept(plant: TruePlant, hours: Floats, rng: np.random.Generator) -> NDArray[np.bool_]:
    """Lose rows in a pattern: all nights, the same hours of many days, or a few long outages."""
    hour_of_day, day = np.mod(hours, 24.0), (hours // 24.0).astype(np.int64)
    if plant.gap_kind == "nights":
        return np.asarray((hour_of_day > 4.5) & (hour_of_day < 20.5))
    if plant.gap_kind == "daily":
        begins, lost = float(rng.uniform(7.0, 16.0)), rng.random(int(day[-1]) + 1) < 0.4
        return np.asarray(~(lost[day] & (hour_of_day >= begins) & (hour_of_day < begins + 1.5)))
    kept = np.ones(hours.size, dtype=bool)
    for _ in range(2):
        first = float(rng.uniform(0.0, hours[-1]))
        kept &= ~((hours >= first) & (hours < first + 24.0 * float(rng.uniform(2.0, 8.0))))
    return kept


def clock_rows(n: int, faults: Sequence[PlantedFault], hours: Floats, step_s: float,
               rng: np.random.Generator) -> NDArray[np.int64]:
    """
    For each stamped row, the row of the true time it was taken at, when the clock runs fast by planted minutes.

    Parameters
    ----------
    n : int
    faults : sequence of PlantedFault
    hours : ndarray, shape (n,)
        [h]
    step_s : float
        [s]
    rng : numpy.random.Generator

    Returns
    -------
    rows : ndarray of int, shape (n,)
    """
    rows = np.arange(n)
    for fault in faults:
        if fault.cause == "clock_shift":
            rows = rows - np.round(course(fault, hours, rng) * fault.size * 60.0 / step_s).astype(np.int64)
    return np.clip(rows, 0, n - 1)
