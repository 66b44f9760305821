"""Weather of one plant over a run of days at the simulator's own step."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diagnostics.proving.cells import cell_temperature
from diagnostics.proving.sky import (
    FOG,
    OVERCAST,
    RAIN,
    DailyWeather,
    clear_sky,
    drifting_clouds,
    plane_parts,
    sun_position,
    tracker_plane,
)
from diagnostics.proving.truth import TruePlant

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class SkyOverPlant:
    """Arrays of shape (steps,). `light` is what the cells turn into current; `beam_share` the part from the sun."""

    elevation_deg: Floats
    azimuth_deg: Floats
    plane_w_m2: Floats
    horizontal_w_m2: Floats
    diffuse_w_m2: Floats
    light_w_m2: Floats
    beam_share: Floats
    air_c: Floats
    cell_c: Floats
    wind_m_s: Floats


def sky_over(plant: TruePlant, days: DailyWeather, unix_s: Floats, local_h: Floats, day_index: NDArray[np.int64],
             step_s: float, rng: np.random.Generator) -> SkyOverPlant:
    """
    Draw the weather of one plant.

    Parameters
    ----------
    plant : TruePlant
    days : DailyWeather
    unix_s : ndarray, shape (n,)
        Middle of each step, UTC. [s]
    local_h : ndarray, shape (n,)
        Local hour of day. [h]
    day_index : ndarray of int, shape (n,)
        Row of `days` of each step.
    step_s : float
        [s]
    rng : numpy.random.Generator

    Returns
    -------
    sky : SkyOverPlant
    """
    from scipy.signal import lfilter

    site = plant.site
    n = unix_s.size
    elevation, azimuth, distance = sun_position(unix_s, site.latitude_deg, site.longitude_deg)
    direct, diffuse = clear_sky(elevation, distance, days.aerosol_depth[day_index], days.water_cm[day_index],
                                site.altitude_m)
    cover, wander = drifting_clouds(days, day_index, step_s, rng)
    fog = (days.regime[day_index] == FOG) & (local_h < days.fog_clears_h[day_index])
    cover = np.where(fog, 1.0, cover)
    share = days.cloud_share[day_index]
    through = np.clip(days.cloud_transmittance[day_index] * np.exp(0.22 * wander), 0.05, 0.9)
    through = np.where(fog, 0.3, through)
    thin = np.where(np.isin(days.regime[day_index], (OVERCAST, RAIN)) | fog, 0.0, 0.35 * through)
    sine = np.sin(np.deg2rad(np.maximum(elevation, 0.0)))
    clear_total = direct * sine + diffuse
    broken = 4.0 * share * (1 - share)
    beam = direct * ((1 - cover) + cover * thin)
    bright_edge = 0.10 * broken * (1 - cover) * np.clip(1 + 0.8 * wander, 0.0, 3.0)
    scattered = (diffuse * ((1 - cover) * (1 + 0.5 * broken)) + clear_total * bright_edge
                 + cover * np.maximum(clear_total * through - beam * sine, 0.3 * diffuse))
    tilt, plane_azimuth = _plane(plant, elevation, azimuth, unix_s)
    on_beam, on_other, cosine = plane_parts(elevation, azimuth, beam, scattered, distance, tilt, plane_azimuth,
                                            site.array.ground_albedo if site.array else 0.2)
    glass = -np.expm1(-cosine / plant.glass) / -np.expm1(-1 / plant.glass)
    air_mass = 1.0 / np.maximum(sine, 0.03)
    slope = plant.string.spectral_slope if plant.string else 0.0
    spectrum = 1.0 + slope * np.clip(air_mass - 1.5, -0.5, 6.0)
    light = (on_beam * glass + on_other * 0.945) * spectrum
    warm = np.cos(2 * np.pi * (local_h - 15.2) / 24.0)
    trend = np.interp(np.arange(n), np.arange(0, n + 1, max(1, int(86400 // step_s))) + 43200 // step_s,
                      np.resize(days.mean_temperature_c[np.unique(day_index)],
                                len(np.arange(0, n + 1, max(1, int(86400 // step_s))))))
    air = trend + 0.5 * days.daily_swing_c[day_index] * warm
    memory = np.exp(-step_s / 600.0)
    gust = lfilter([np.sqrt(1 - memory ** 2)], [1, -memory], rng.standard_normal(n))
    wind = np.minimum(days.wind_m_s[day_index] * (0.75 + 0.35 * np.maximum(warm, -0.6))
                      * np.exp(0.28 * gust - 0.04), 24.0)
    plane = on_beam + on_other
    cell = cell_temperature(plane, air, wind, step_s, sky_cover=cover * share, still_w_m2_k=plant.still_w_m2_k,
                            wind_w_s_m3_k=plant.wind_w_s_m3_k, lag_s=plant.module_lag_s,
                            absorbed=plant.absorbed, sky_loss_w_m2=plant.sky_loss_w_m2)
    return SkyOverPlant(elevation, azimuth, plane, beam * sine + scattered, scattered, light,
                        on_beam / np.maximum(plane, 1.0), air, cell, wind)


def _plane(plant: TruePlant, elevation: Floats, azimuth: Floats, unix_s: Floats) -> tuple[Floats, Floats]:
    array = plant.site.array
    if array is None:
        return np.zeros_like(elevation), np.full_like(elevation, 180.0)
    if array.mount == "single_axis_tracker":
        return tracker_plane(elevation, azimuth, plant.azimuth_deg, array.tracker_max_angle_deg)
    if array.mount == "seasonal_tilt":
        month = (unix_s.astype("datetime64[s]").astype("datetime64[M]").astype(np.int64) % 12) + 1
        settings = sorted(array.seasonal_tilts_deg.items())
        by_month = np.empty(13)
        for m in range(1, 13):
            earlier = [tilt for start, tilt in settings if start <= m]
            by_month[m] = earlier[-1] if earlier else settings[-1][1]
        return by_month[month] + plant.tilt_deg - array.tilt_deg, np.full_like(elevation, plant.azimuth_deg)
    return np.full_like(elevation, plant.tilt_deg), np.full_like(elevation, plant.azimuth_deg)
