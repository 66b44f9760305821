"""Light and warmth on the cells for every daylight row, from the best source each row has. Night rows are left out."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pvlib import irradiance

from diagnostics.chain.cell_temperature import CellTemperature, cell_temperature
from diagnostics.chain.clouds import relative_spread, spread_of_clear_sky_index
from diagnostics.chain.light_sensor import light_on_level_glass, light_that_counts, light_uncertainty, sensor_kind
from diagnostics.chain.mount import cos_incidence, orientation
from diagnostics.chain.power_source import wind_power_w
from diagnostics.chain.reflection import beam_share_of_plane, reflection_factor
from diagnostics.chain.sun import ClearSky, SunPosition, clear_sky, sun_position, unix_seconds
from diagnostics.site import Array, Site

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

SOURCES = ("none", "plane_sensor", "horizontal_sensor", "neighbour", "imported")

# Connections as in PVWatts version 5 (A. P. Dobos, NREL/TP-6A20-62641, 2014). Nothing is taken off for the first days
# of light: IEC 61215-1:2016 holds the label against modules that have settled (from memory), and makers of older ones
# sort upwards by about what light takes. Soiling, shade and outages are causes here, not losses of a healthy array.
CONNECTION_LOSS = 0.005
# Power goes with the cube of wind: 8 % of wind is a quarter of power.
WIND_UNCERTAINTY = 0.25
LOWEST_SUN_DEG = -0.3


@dataclass(frozen=True)
class Daylight:
    """
    What reaches the array, for the rows with the sun up; for all rows where a turbine or a battery works at night.

    `rows` are positions in the index of `when_utc`; every other array has one value a daylight row. Irradiance is in
    the plane of the array; `effective_w_m2` is after reflection, mismatch and ageing, before soiling.
    """

    when_utc: pd.DatetimeIndex          # all rows, interval ends
    interval_s: Floats                  # all rows
    rows: Integers
    elevation_all_deg: Floats           # all rows
    poa_w_m2: Floats
    source: NDArray[np.int8]            # index into SOURCES
    clear_sky_poa_w_m2: Floats
    clear_sky_index: Floats             # plane irradiance over clear sky in the plane
    cos_incidence: Floats
    effective_w_m2: Floats
    cell: CellTemperature
    air_temperature_c: Floats
    irradiance_uncertainty: Floats      # standard, relative, of all power the source gives
    cloud_spread: Floats                # standard deviation of light inside the interval over its mean
    wind_power_w: Floats | None = None  # on the rectifier bus, where there is a turbine


def _column(weather: pd.DataFrame, name: str, rows: Integers) -> Floats:
    if name not in weather.columns:
        return np.full(rows.size, np.nan)
    return np.asarray(weather[name], dtype=np.float64)[rows]


def _to_plane(ghi: Floats, dhi: Floats, dni: Floats, tilt: Floats, azimuth: Floats, sun: SunPosition, sky: ClearSky,
              day_of_year: Floats, albedo: float) -> tuple[Floats, Floats]:
    """Plane irradiance and its beam share from horizontal parts; what is not logged is split off after Erbs."""
    split = irradiance.erbs(ghi, sun.zenith_deg, day_of_year)
    no_diffuse, no_direct = np.isnan(dhi), np.isnan(dni)
    cos_zenith = np.maximum(np.cos(np.radians(sun.zenith_deg)), 0.01)
    diffuse = np.where(no_diffuse, np.where(no_direct, split["dhi"], np.maximum(ghi - dni * cos_zenith, 0.0)), dhi)
    closing = np.clip((ghi - diffuse) / cos_zenith, 0.0, 1.1 * sky.extraterrestrial_normal_w_m2)
    direct = np.where(no_direct, np.where(no_diffuse, split["dni"], closing), dni)
    total = irradiance.get_total_irradiance(tilt, azimuth, sun.zenith_deg, sun.azimuth_deg, direct, ghi, diffuse,
                                            dni_extra=sky.extraterrestrial_normal_w_m2,
                                            airmass=sky.relative_airmass, albedo=albedo, model="perez")
    plane = np.asarray(total["poa_global"], dtype=np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        beam = np.where(plane > 0, np.asarray(total["poa_direct"], dtype=np.float64) / plane, 0.0)
    # Below two degrees of sun the sky models are not meant to be used: the horizontal value stands.
    low = sun.elevation_deg < 2.0
    return np.where(low, ghi, np.where(np.isnan(plane), ghi, plane)), np.where(low, 0.0, np.clip(beam, 0.0, 1.0))


def _clear_in_plane(sky: ClearSky, tilt: Floats, azimuth: Floats, sun: SunPosition, albedo: float) -> Floats:
    diffuse = irradiance.haydavies(tilt, azimuth, sky.diffuse_horizontal_w_m2, sky.direct_normal_w_m2,
                                   sky.extraterrestrial_normal_w_m2, sun.zenith_deg, sun.azimuth_deg)
    ground = irradiance.get_ground_diffuse(tilt, sky.global_horizontal_w_m2, albedo)
    beam = sky.direct_normal_w_m2 * np.maximum(cos_incidence(tilt, azimuth, sun), 0.0)
    return np.asarray(beam + np.nan_to_num(np.asarray(diffuse)) + np.asarray(ground), dtype=np.float64)


def _years_in_service(site: Site, when_utc: pd.DatetimeIndex) -> Floats:
    installed = pd.Timestamp(site.installed_on, tz="UTC").timestamp()
    return np.maximum((unix_seconds(when_utc) - installed) / (365.25 * 86400.0), 0.0)


def fixed_losses(array: Array, years: Floats) -> Floats:
    """
    Share of light that counts after mismatch between modules, connections and ageing.

    Parameters
    ----------
    array : Array
    years : ndarray, shape (n,)
        In service. [years]

    Returns
    -------
    share : ndarray, shape (n,)
        [1]
    """
    aged = np.clip(1.0 - array.ageing_pct_per_year / 100.0 * years, 0.3, 1.0)
    module = array.module
    # A one-sided tolerance (0 to +5 %) says that the mean module lies above its label.
    sorted_to = 1.0 + (module.power_tolerance_low_pct + module.power_tolerance_high_pct) / 200.0
    kept = (1.0 - array.mismatch_loss_pct / 100.0) * (1.0 - CONNECTION_LOSS)
    return kept * sorted_to * aged


def _best_source(weather: pd.DataFrame, rows: Integers) -> tuple[NDArray[np.int8], Floats, list[Floats]]:
    """Pick per row the best of plane sensor, horizontal sensor, neighbour and imported series."""
    plane = _column(weather, "poa_irradiance_w_m2", rows)
    horizontal = [_column(weather, prefix + "global_horizontal_irradiance_w_m2", rows)
                  for prefix in ("", "neighbour_", "imported_")]
    source = np.zeros(rows.size, dtype=np.int8)
    for code, values in ((4, horizontal[2]), (3, horizontal[1]), (2, horizontal[0]), (1, plane)):
        source[np.isfinite(values)] = code
    level = np.select([source == 2, source == 3, source == 4], horizontal, np.nan)
    parts = [np.where(source == 2, _column(weather, name, rows), np.nan)
             for name in ("diffuse_horizontal_irradiance_w_m2", "direct_normal_irradiance_w_m2")]
    return source, plane, [np.maximum(level, 0.0), *parts]


def daylight(site: Site, weather: pd.DataFrame, interval_s: "pd.Series[float] | float") -> Daylight:
    """
    Plane irradiance, its source, and cell temperature for all rows with the sun up.

    Nothing here depends on the state of health, so one result serves every hypothesis about the same weather.

    Parameters
    ----------
    site : Site
    weather : DataFrame
        UTC index of interval ends; any of the channels of `quantities.CHANNELS`, and the same horizontal irradiance
        under ``neighbour_`` and ``imported_`` names. NaN is "not known". [UTC]
    interval_s : Series or float
        Length of each interval. [s]

    Returns
    -------
    light : Daylight
    """
    when = pd.DatetimeIndex(weather.index)
    lengths = np.asarray(np.broadcast_to(np.asarray(interval_s, dtype=np.float64), (len(when),)))
    middle = when - pd.to_timedelta(lengths / 2.0, unit="s")
    everywhere = sun_position(middle, site.latitude_deg, site.longitude_deg, site.altitude_m)
    rows = np.flatnonzero(everywhere.elevation_deg > LOWEST_SUN_DEG)
    light = _light_of_day(site, weather, when, lengths, middle, everywhere, rows)
    return light if site.wind is None and site.drive.kind != "battery_bus" else _on_all_rows(site, weather, light)


def _light_of_day(site: Site, weather: pd.DataFrame, when: pd.DatetimeIndex, lengths: Floats, middle: pd.DatetimeIndex,
                  everywhere: SunPosition, rows: Integers) -> Daylight:
    sun = SunPosition(everywhere.elevation_deg[rows], everywhere.azimuth_deg[rows])
    air = _column(weather, "air_temperature_c", rows)
    array = site.array
    if array is None:
        zero = np.zeros(rows.size)
        return Daylight(when, lengths, rows, everywhere.elevation_deg, zero, np.zeros(rows.size, dtype=np.int8), zero,
                        zero, zero, zero, CellTemperature(air, zero), air, zero, zero)
    day_of_year = np.asarray(middle[rows].day_of_year, dtype=np.float64)
    sky = clear_sky(sun, day_of_year, site.latitude_deg, site.longitude_deg, site.altitude_m)
    tilt, azimuth = orientation(array, middle[rows], site.timezone, sun)
    cosine = cos_incidence(tilt, azimuth, sun)
    clear_plane = _clear_in_plane(sky, tilt, azimuth, sun, array.ground_albedo)

    source, plane, (level, diffuse, direct) = _best_source(weather, rows)
    poa, beam = np.maximum(plane, 0.0), np.zeros(rows.size)
    by_plane, turned = source == 1, source >= 2
    if sensor_kind(site, "global_horizontal_irradiance_w_m2") == "silicon_cell":
        level = np.where(source == 2, light_on_level_glass(level, sun, day_of_year), level)
    if by_plane.any():
        beam[by_plane] = beam_share_of_plane(
            poa[by_plane], cosine[by_plane], SunPosition(sun.elevation_deg[by_plane], sun.azimuth_deg[by_plane]),
            tilt[by_plane], day_of_year[by_plane], array.ground_albedo)
    if turned.any():
        poa[turned], beam[turned] = _to_plane(
            level[turned], diffuse[turned], direct[turned], tilt[turned], azimuth[turned],
            SunPosition(sun.elevation_deg[turned], sun.azimuth_deg[turned]), _some(sky, turned), day_of_year[turned],
            array.ground_albedo)
    with np.errstate(invalid="ignore", divide="ignore"):
        clear_index = np.where(clear_plane > 5.0, poa / clear_plane, np.nan)
    cell = cell_temperature(site, poa, day_of_year, middle[rows], air, _column(weather, "module_temperature_c", rows),
                            _column(weather, "wind_speed_m_s", rows))
    reflection = reflection_factor(cosine, beam, float(np.median(tilt)) if tilt.size else 0.0)
    effective = (poa * light_that_counts(site, array, source, reflection, sky.relative_airmass, clear_index)
                 * fixed_losses(array, _years_in_service(site, middle[rows])))
    spread = spread_of_clear_sky_index(np.where(clear_plane > 20.0, clear_index, np.nan),
                                       follows_directly(when[rows], lengths[rows]), lengths[rows])
    return Daylight(when, lengths, rows, everywhere.elevation_deg, poa, source, clear_plane, clear_index, cosine,
                    effective, cell, air, light_uncertainty(site, source, clear_index, cosine),
                    relative_spread(clear_index, spread))


def _on_all_rows(site: Site, weather: pd.DataFrame, day: Daylight) -> Daylight:
    """Carry the light of day onto all rows, for wind and batteries work at night; wind's power beside it."""
    count = len(day.when_utc)
    rows = np.arange(count)

    def spread(values: Floats, night: float = 0.0) -> Floats:
        full = np.full(count, night)
        full[day.rows] = values
        return full

    source = np.zeros(count, dtype=np.int8)
    source[day.rows] = day.source
    air = _column(weather, "air_temperature_c", rows)
    known = day.irradiance_uncertainty[np.isfinite(day.irradiance_uncertainty)]
    usual = float(np.median(known)) if known.size and site.array is not None else 0.0
    doubt = spread(np.nan_to_num(day.irradiance_uncertainty, nan=usual), usual)
    wind = None
    if site.wind is not None:
        wind = wind_power_w(site.wind, _column(weather, "wind_speed_m_s", rows), site.altitude_m, air)
        doubt = np.maximum(doubt, WIND_UNCERTAINTY)
    return Daylight(day.when_utc, day.interval_s, rows, day.elevation_all_deg, spread(day.poa_w_m2), source,
                    spread(day.clear_sky_poa_w_m2), spread(day.clear_sky_index), spread(day.cos_incidence),
                    spread(day.effective_w_m2),
                    CellTemperature(spread(day.cell.temperature_c, 20.0), spread(day.cell.uncertainty_k, 5.0)), air,
                    doubt, spread(day.cloud_spread), wind)


def follows_directly(when_utc: pd.DatetimeIndex, interval_s: Floats) -> NDArray[np.bool_]:
    """
    Tell which rows begin where the row before them ends.

    Parameters
    ----------
    when_utc : DatetimeIndex, shape (n,)
        Interval ends, rising. [UTC]
    interval_s : ndarray, shape (n,)
        [s]

    Returns
    -------
    follows : ndarray of bool, shape (n,)
        False for the first row. [1]
    """
    gap = np.diff(unix_seconds(when_utc), prepend=-np.inf) - interval_s
    return np.asarray(gap <= 0.5 * interval_s, dtype=np.bool_)


def _some(sky: ClearSky, rows: NDArray[np.bool_]) -> ClearSky:
    return ClearSky(sky.global_horizontal_w_m2[rows], sky.direct_normal_w_m2[rows], sky.diffuse_horizontal_w_m2[rows],
                    sky.extraterrestrial_normal_w_m2[rows], sky.relative_airmass[rows])
