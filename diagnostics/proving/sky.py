"""
The sky over a proving plant: sun, clear air, clouds, temperature, wind and rain.

Sun position after the PSA algorithm (Blanco-Muriel et al. 2001), clear sky after Bird and Hulstrom (1981), diffuse
light on a slope after Hay and Davies with the horizon term of Reindl. Clouds are a thresholded random field drifting
over the site, so that broken skies have edges, gaps and short over-irradiance.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

CLEAR, HAZE, FEW, BROKEN, OVERCAST, RAIN, FOG = range(7)
SOLAR_CONSTANT_W_M2 = 1361.0


@dataclass(frozen=True, slots=True)
class Climate:
    """A kind of weather; temperatures in degC, rain in mm a rain day, regime shares in the order of the constants."""

    name: str
    latitude_deg: tuple[float, float]
    longitude_deg: tuple[float, float]
    timezone: str
    altitude_m: tuple[float, float]
    mean_temperature_c: float
    season_swing_c: float
    warmest_day: int
    daily_swing_c: float
    aerosol_depth: float
    aerosol_swing: float
    dustiest_day: int
    water_cm: float
    wettest_day: int
    wet_width_days: float
    dry_shares: tuple[float, ...]
    wet_shares: tuple[float, ...]
    rain_mm: float = 8.0
    wind_m_s: float = 3.0
    dust_pct_day: float = 0.05


CLIMATES: dict[str, Climate] = {c.name: c for c in (
    Climate("high_desert", (31, 36), (-108, -103), "America/Denver", (1000, 1900), 16, 11, 200, 15, 0.07, 0.05, 120,
            1.2, 215, 45, (.50, .12, .18, .12, .05, .02, .01), (.15, .08, .25, .30, .12, .10, .0), 9, 3.6, .06),
    Climate("sahel", (11, 15), (-4, 8), "Africa/Niamey", (200, 450), 29, 4, 130, 14, 0.35, 0.25, 75, 3.0, 225, 45,
            (.40, .38, .14, .06, .02, .0, .0), (.15, .10, .25, .28, .12, .10, .0), 18, 3.0, .15),
    Climate("east_highland", (-4, 2), (35, 38), "Africa/Nairobi", (1000, 2000), 20, 2, 60, 12, 0.12, 0.04, 40, 2.0,
            115, 40, (.28, .08, .28, .24, .08, .02, .02), (.08, .04, .22, .32, .18, .12, .04), 12, 2.6, .04),
    Climate("mediterranean", (36, 41), (-8, 3), "Europe/Madrid", (50, 700), 16, 9, 205, 12, 0.11, 0.05, 190, 1.8, 350,
            70, (.60, .12, .16, .07, .03, .01, .01), (.22, .06, .18, .22, .16, .12, .04), 11, 2.8, .05),
    Climate("deccan", (15, 22), (74, 79), "Asia/Kolkata", (300, 700), 27, 5, 135, 13, 0.38, 0.12, 130, 3.2, 205, 50,
            (.42, .26, .18, .09, .03, .01, .01), (.04, .04, .14, .30, .26, .22, .0), 16, 2.4, .12),
    Climate("temperate", (44, 51), (2, 14), "Europe/Berlin", (50, 500), 11, 9, 205, 10, 0.12, 0.03, 180, 1.6, 340, 80,
            (.20, .08, .24, .26, .12, .08, .02), (.08, .04, .12, .20, .32, .16, .08), 6, 3.4, .02),
    Climate("veld", (-30, -22), (17, 28), "Africa/Johannesburg", (900, 1500), 19, 7, 15, 15, 0.10, 0.05, 260, 1.4, 20,
            60, (.62, .10, .16, .08, .03, .01, .0), (.26, .05, .28, .26, .07, .08, .0), 12, 3.0, .05),
    Climate("outback", (-30, -20), (118, 145), "Australia/Darwin", (100, 500), 23, 8, 10, 15, 0.06, 0.04, 330, 1.5, 40,
            50, (.64, .08, .16, .08, .03, .01, .0), (.32, .06, .26, .22, .07, .07, .0), 14, 3.8, .05),
)}


@dataclass(slots=True)
class DailyWeather:
    """What is drawn once a day, arrays of shape (days,)."""

    regime: NDArray[np.int64]
    cloud_share: Floats
    cloud_transmittance: Floats
    cloud_minutes: Floats
    aerosol_depth: Floats
    water_cm: Floats
    mean_temperature_c: Floats
    daily_swing_c: Floats
    wind_m_s: Floats
    rain_mm: Floats
    fog_clears_h: Floats
    pressure_anomaly_m: Floats
    extra: dict[str, Floats] = field(default_factory=dict)


def draw_days(climate: Climate, day_of_year: NDArray[np.int64], rng: np.random.Generator, *,
              dull: NDArray[np.bool_] | None = None, region_rng: np.random.Generator | None = None) -> DailyWeather:
    """
    Draw a run of days: regimes follow one another with persistence, wetter in the wet season.

    Parameters
    ----------
    climate : Climate
    day_of_year : ndarray of int, shape (days,)
    rng : numpy.random.Generator
        The site's own chance.
    dull : ndarray of bool, shape (days,), optional
        Days forced to be sun-poor.
    region_rng : numpy.random.Generator, optional
        Chance shared by neighbouring sites, which then mostly see the same kind of day.

    Returns
    -------
    days : DailyWeather
    """
    n = day_of_year.size
    shared = region_rng if region_rng is not None else rng
    distance = np.abs((day_of_year - climate.wettest_day + 182.5) % 365.0 - 182.5)
    wetness = np.exp(-0.5 * (distance / climate.wet_width_days) ** 2)
    draws = shared.random((n, 3))
    own = rng.random((n, 2))
    regime = np.empty(n, dtype=np.int64)
    previous = FEW
    for day in range(n):
        shares = (1 - wetness[day]) * np.asarray(climate.dry_shares) + wetness[day] * np.asarray(climate.wet_shares)
        if dull is not None and dull[day]:
            shares = np.array([.01, .03, .06, .22, .42, .22, .04])
        if draws[day, 0] < 0.38:
            chosen = previous if not (dull is not None and dull[day] and previous < BROKEN) else OVERCAST
        else:
            chosen = int(np.searchsorted(np.cumsum(shares) / np.sum(shares), draws[day, 1]))
        if region_rng is not None and own[day, 0] < 0.12:      # a neighbour's day differs now and then
            chosen = int(np.searchsorted(np.cumsum(shares) / np.sum(shares), own[day, 1]))
        regime[day] = previous = min(chosen, FOG)
    u = rng.random((n, 4))
    low = np.array([.0, .0, .08, .35, .93, .97, .05])[regime]
    high = np.array([.015, .03, .35, .80, 1.0, 1.0, .30])[regime]
    transmit_low = np.array([.5, .5, .35, .25, .18, .08, .3])[regime]
    transmit_high = np.array([.8, .8, .60, .50, .48, .28, .5])[regime]
    anomaly = _red_noise(rng, n, 0.75) * 2.6
    season = np.cos(2 * np.pi * (day_of_year - climate.warmest_day) / 365.25)
    cool = np.array([0, 0, 0, -.8, -3, -4, -1.0])[regime]
    dust = np.cos(2 * np.pi * (day_of_year - climate.dustiest_day) / 365.25)
    depth = (climate.aerosol_depth + climate.aerosol_swing * np.maximum(dust, -0.6)) * np.exp(
        0.35 * _red_noise(shared, n, 0.6))
    depth = np.where(regime == HAZE, depth * 2.0 + 0.15, depth)
    return DailyWeather(
        regime=regime, cloud_share=low + (high - low) * u[:, 0],
        cloud_transmittance=transmit_low + (transmit_high - transmit_low) * u[:, 1],
        cloud_minutes=4.0 * np.exp(1.1 * u[:, 2]) * np.array([1, 1, 1, 1.3, 3, 3, 1.0])[regime],
        aerosol_depth=np.clip(depth, 0.02, 1.2),
        water_cm=climate.water_cm * np.exp(0.25 * _red_noise(rng, n, 0.6)) * (0.8 + 0.6 * wetness),
        mean_temperature_c=climate.mean_temperature_c + climate.season_swing_c * season + anomaly + cool,
        daily_swing_c=climate.daily_swing_c * np.array([1, .95, .95, .8, .45, .35, .8])[regime],
        wind_m_s=np.clip(climate.wind_m_s * np.exp(0.4 * _red_noise(rng, n, 0.4)), 0.3, 14.0),
        rain_mm=np.where(regime == RAIN, rng.exponential(climate.rain_mm, n) + 0.6, 0.0)
        + np.where((regime == OVERCAST) & (u[:, 3] < 0.15), 0.8, 0.0),
        fog_clears_h=np.where(regime == FOG, 8.0 + 3.0 * u[:, 3], 0.0),
        pressure_anomaly_m=0.05 * _red_noise(rng, n, 0.7))


def _red_noise(rng: np.random.Generator, n: int, memory: float) -> Floats:
    out = np.empty(n)
    shocks = rng.standard_normal(n) * np.sqrt(1 - memory ** 2)
    value = float(rng.standard_normal())
    for i in range(n):
        value = memory * value + shocks[i]
        out[i] = value
    return out


def sun_position(unix_s: Floats, latitude_deg: float, longitude_deg: float) -> tuple[Floats, Floats, Floats]:
    """
    Sun elevation with refraction, azimuth clockwise from north, and distance factor (PSA algorithm).

    Parameters
    ----------
    unix_s : ndarray, shape (n,)
        Seconds since 1970 UTC. [s]
    latitude_deg, longitude_deg : float
        North and east positive. [deg]

    Returns
    -------
    elevation_deg, azimuth_deg, distance_factor : ndarray, shape (n,)
        [deg], [deg], [1]

    References
    ----------
    .. [1] M. Blanco-Muriel et al., "Computing the solar vector", Solar Energy 70 (2001) 431-441.
    """
    days = unix_s / 86400.0 + 2440587.5 - 2451545.0
    hour = np.mod(unix_s, 86400.0) / 3600.0
    omega = 2.1429 - 0.0010394594 * days
    longitude = 4.8950630 + 0.017202791698 * days
    anomaly = 6.2400600 + 0.0172019699 * days
    ecliptic = (longitude + 0.03341607 * np.sin(anomaly) + 0.00034894 * np.sin(2 * anomaly) - 0.0001134
                - 0.0000203 * np.sin(omega))
    obliquity = 0.4090928 - 6.2140e-9 * days + 0.0000396 * np.cos(omega)
    ascension = np.arctan2(np.cos(obliquity) * np.sin(ecliptic), np.cos(ecliptic))
    declination = np.arcsin(np.sin(obliquity) * np.sin(ecliptic))
    sidereal_h = 6.6974243242 + 0.0657098283 * days + hour
    hour_angle = np.deg2rad(sidereal_h * 15.0 + longitude_deg) - ascension
    lat = np.deg2rad(latitude_deg)
    sine = np.sin(lat) * np.sin(declination) + np.cos(lat) * np.cos(declination) * np.cos(hour_angle)
    elevation = np.rad2deg(np.arcsin(np.clip(sine, -1, 1)))
    azimuth = np.rad2deg(np.arctan2(-np.sin(hour_angle), np.tan(declination) * np.cos(lat)
                                    - np.sin(lat) * np.cos(hour_angle)))
    safe = np.maximum(elevation, -1.5)
    refraction = 1.02 / np.tan(np.deg2rad(safe + 10.3 / (safe + 5.11))) / 60.0
    return elevation + np.where(elevation > -1.5, refraction, 0.0), np.mod(azimuth, 360.0), 1 + 0.0334 * np.cos(anomaly)


def clear_sky(elevation_deg: Floats, distance_factor: Floats, aerosol_depth: Floats, water_cm: Floats,
              altitude_m: float) -> tuple[Floats, Floats]:
    """
    Direct normal and diffuse horizontal irradiance under a clear sky (Bird and Hulstrom 1981).

    Parameters
    ----------
    elevation_deg : ndarray, shape (n,)
        Apparent sun elevation. [deg]
    distance_factor : ndarray, shape (n,)
        Inverse squared sun distance over its mean. [1]
    aerosol_depth : ndarray, shape (n,)
        Broadband aerosol optical depth. [1]
    water_cm : ndarray, shape (n,)
        Precipitable water. [cm]
    altitude_m : float
        [m]

    Returns
    -------
    direct_normal_w_m2, diffuse_horizontal_w_m2 : ndarray, shape (n,)
        [W/m²]
    """
    up = elevation_deg > 0.0
    elevation = np.maximum(elevation_deg, 0.05)
    sine = np.sin(np.deg2rad(elevation))
    mass = 1.0 / (sine + 0.15 * (elevation + 3.885) ** -1.253)
    pressed = mass * np.exp(-altitude_m / 8430.0)
    rayleigh = np.exp(-0.0903 * pressed ** 0.84 * (1.0 + pressed - pressed ** 1.01))
    ozone_path = 0.3 * mass
    ozone = (1.0 - 0.1611 * ozone_path * (1.0 + 139.48 * ozone_path) ** -0.3035
             - 0.002715 * ozone_path / (1.0 + 0.044 * ozone_path + 0.0003 * ozone_path ** 2))
    gases = np.exp(-0.0127 * pressed ** 0.26)
    vapour_path = water_cm * mass
    vapour = 1.0 - 2.4959 * vapour_path / ((1.0 + 79.034 * vapour_path) ** 0.6828 + 6.385 * vapour_path)
    aerosol = np.exp(-(aerosol_depth ** 0.873) * (1.0 + aerosol_depth - aerosol_depth ** 0.7088) * mass ** 0.9108)
    absorbed = 1.0 - 0.1 * (1.0 - mass + mass ** 1.06) * (1.0 - aerosol)
    outside = SOLAR_CONSTANT_W_M2 * distance_factor
    direct = outside * 0.9662 * rayleigh * ozone * gases * vapour * aerosol
    scattered = aerosol / absorbed
    diffuse = (outside * sine * 0.79 * ozone * gases * vapour * absorbed
               * (0.5 * (1.0 - rayleigh) + 0.84 * (1.0 - scattered)) / (1.0 - mass + mass ** 1.02))
    sky_albedo = 0.0685 + 0.16 * (1.0 - scattered)
    total = (direct * sine + diffuse) / (1.0 - 0.22 * sky_albedo)
    return np.where(up, direct, 0.0), np.where(up, np.maximum(total - direct * sine, 0.0), 0.0)


def plane_parts(elevation_deg: Floats, azimuth_deg: Floats, direct_w_m2: Floats, diffuse_w_m2: Floats,
                distance_factor: Floats, tilt_deg: Floats, plane_azimuth_deg: Floats,
                albedo: float) -> tuple[Floats, Floats, Floats]:
    """
    Beam and diffuse-plus-ground light on a plane, and the cosine of incidence (Hay-Davies with Reindl's horizon term).

    Parameters
    ----------
    elevation_deg, azimuth_deg : ndarray, shape (n,)
        Of the sun. [deg]
    direct_w_m2, diffuse_w_m2 : ndarray, shape (n,)
        Direct normal and diffuse horizontal. [W/m²]
    distance_factor : ndarray, shape (n,)
        [1]
    tilt_deg, plane_azimuth_deg : ndarray, shape (n,) or scalar
        [deg]
    albedo : float
        [1]

    Returns
    -------
    beam_w_m2, other_w_m2, cosine : ndarray, shape (n,)
        [W/m²], [W/m²], [1]
    """
    el, tilt = np.deg2rad(elevation_deg), np.deg2rad(tilt_deg)
    sine = np.maximum(np.sin(el), 0.0)
    cosine = (np.sin(el) * np.cos(tilt)
              + np.cos(el) * np.sin(tilt) * np.cos(np.deg2rad(azimuth_deg - plane_azimuth_deg)))
    cosine = np.where(elevation_deg > 0, np.maximum(cosine, 0.0), 0.0)
    anisotropy = np.clip(direct_w_m2 / (SOLAR_CONSTANT_W_M2 * distance_factor), 0.0, 1.0)
    total = direct_w_m2 * sine + diffuse_w_m2
    share = np.sqrt(np.clip(direct_w_m2 * sine / np.maximum(total, 1.0), 0.0, 1.0))
    around_sun = diffuse_w_m2 * anisotropy * np.minimum(cosine / np.maximum(sine, 0.087), 4.0)
    dome = diffuse_w_m2 * (1 - anisotropy) * (1 + np.cos(tilt)) / 2 * (1 + share * np.sin(tilt / 2) ** 3)
    ground = total * albedo * (1 - np.cos(tilt)) / 2
    return direct_w_m2 * cosine + around_sun, dome + ground, cosine


def tracker_plane(elevation_deg: Floats, azimuth_deg: Floats, axis_azimuth_deg: float,
                  max_angle_deg: float) -> tuple[Floats, Floats]:
    """
    Tilt and azimuth of a horizontal single-axis tracker that follows the sun without backtracking.

    Parameters
    ----------
    elevation_deg, azimuth_deg : ndarray, shape (n,)
        Of the sun. [deg]
    axis_azimuth_deg, max_angle_deg : float
        [deg]

    Returns
    -------
    tilt_deg, plane_azimuth_deg : ndarray, shape (n,)
        [deg]
    """
    across = np.cos(np.deg2rad(elevation_deg)) * np.sin(np.deg2rad(azimuth_deg - axis_azimuth_deg))
    up = np.sin(np.deg2rad(np.maximum(elevation_deg, 0.5)))
    angle = np.clip(np.rad2deg(np.arctan2(across, up)), -max_angle_deg, max_angle_deg)
    return np.abs(angle), np.mod(axis_azimuth_deg + np.where(angle >= 0, 90.0, 270.0), 360.0)


def drifting_clouds(days: DailyWeather, day_index: NDArray[np.int64], step_s: float,
                    rng: np.random.Generator) -> tuple[Floats, Floats]:
    """
    Cover of the sun (0 free, 1 covered) and a slow wander of cloud thickness.

    Parameters
    ----------
    days : DailyWeather
    day_index : ndarray of int, shape (n,)
        Day of each step.
    step_s : float
        [s]
    rng : numpy.random.Generator

    Returns
    -------
    cover, wander : ndarray, shape (n,)
        [1], [1] with mean 0 and deviation 1.
    """
    from scipy.signal import lfilter
    from scipy.special import ndtri

    n = day_index.size
    fast_memory = np.exp(-step_s / (60.0 * float(np.median(days.cloud_minutes))))
    slow_memory = np.exp(-step_s / 5400.0)
    fast = lfilter([np.sqrt(1 - fast_memory ** 2)], [1, -fast_memory], rng.standard_normal(n))
    slow = lfilter([np.sqrt(1 - slow_memory ** 2)], [1, -slow_memory], rng.standard_normal(n))
    noise = 0.85 * fast + 0.53 * slow
    edge = ndtri(np.clip(days.cloud_share, 1e-4, 1 - 1e-4))[day_index]
    cover = 1.0 / (1.0 + np.exp(np.clip((noise - edge) / 0.07, -40, 40)))
    return cover, slow
