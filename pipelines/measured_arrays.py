"""
Arrays on measured light: the chain beside a plain model chain of pvlib on the same data, by irradiance bin.

The chain stands there twice: from the sheet alone, and as a site is watched, with what its own record has taught. What
is taught is never tested on the rows that taught it: a record of several days is predicted day by day from its other
days, one of a single day by halves, the morning from the afternoon and the afternoon from the morning.
"""

import json
import warnings
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pvlib.irradiance import aoi, gti_dirint
from pvlib.ivtools.sdm import fit_desoto
from pvlib.location import Location
from pvlib.modelchain import ModelChain
from pvlib.pvsystem import Array, FixedMount, PVSystem
from pvlib.temperature import TEMPERATURE_MODEL_PARAMETERS

from diagnostics.chain.array_alone import GRID_TRACKING_SHARE, power_effects
from diagnostics.chain.daylight import daylight, fixed_losses
from diagnostics.chain.learned import learn
from diagnostics.chain.sun import unix_seconds
from diagnostics.expected import expect
from diagnostics.readings import SiteReadings
from diagnostics.site import Module, Site

Floats = NDArray[np.float64]

BINS_W_M2 = (50.0, 200.0, 400.0, 600.0, 800.0, 1000.0, 1400.0)
# Below this the sun stands behind neighbours, rows and hills, which nobody described: no model here knows shade.
LEAST_SUN_DEG = 5.0
# Rows are summed up to pieces of this length before anything is learned from them.
PIECE_S = 1800.0
# Who predicts power: the chain from its sheet; the chain as learned elsewhere in the record; pvlib's ModelChain by its
# own path; the same without any loss; that with the losses of a healthy array; and pvlib's own scaled to the rows that
# taught the chain.
MODELS = ("sheet", "own", "plain", "lossless", "fair", "scaled")


def weather_of(readings: SiteReadings) -> pd.DataFrame:
    """Return the sound readings of every channel."""
    return pd.DataFrame({name: readings.sound(name) for name in readings.values.columns})


def plain_parameters(module: Module) -> dict[str, float] | None:
    """Fit De Soto's parameters to a label by pvlib alone; None where no first guess leads to a physical answer."""
    for series in (None, 0.2, 0.3, 0.4, 0.5):
        for ideality in (None, 1.05, 1.1, 1.2):
            guess = {} if series is None else {"Rs_0": series}
            if ideality is not None:
                guess["a_0"] = ideality * 0.025693 * module.cells_in_series
            try:
                with np.errstate(all="ignore"):
                    found, _ = fit_desoto(
                        v_mp=module.vmp_v, i_mp=module.imp_a, v_oc=module.voc_v, i_sc=module.isc_a,
                        alpha_sc=module.temperature_coefficient_isc_per_k * module.isc_a,
                        beta_voc=module.temperature_coefficient_voc_per_k * module.voc_v,
                        cells_in_series=module.cells_in_series, init_guess=guess)
            except (RuntimeError, ValueError):
                continue
            if found["I_L_ref"] >= module.isc_a and 0 < found["R_sh_ref"] < 1e5:
                return dict(found)
    return None


def _system(site: Site, coefficients: Path | None) -> tuple[PVSystem, Location, str]:
    array = site.array
    if array is None:
        raise ValueError(f"site {site.id} has no array.")
    if coefficients is not None:
        parameters, dc_model = json.loads(coefficients.read_text(encoding="utf-8"))["coefficients"], "sapm"
    else:
        parameters, dc_model = plain_parameters(array.module), "desoto"
    if parameters is None:
        raise ValueError(f"pvlib finds no parameters for the label of {array.module.key}.")
    modules = Array(FixedMount(array.tilt_deg, array.azimuth_deg), module_parameters=parameters,
                    temperature_model_parameters=TEMPERATURE_MODEL_PARAMETERS["sapm"]["open_rack_glass_polymer"],
                    modules_per_string=array.modules_in_series, strings=array.strings_in_parallel)
    place = Location(site.latitude_deg, site.longitude_deg, altitude=site.altitude_m)
    return PVSystem([modules], inverter_parameters={"pdc0": 1e9}), place, dc_model


def lossless_chain(site: Site, weather: pd.DataFrame, coefficients: Path | None) -> pd.DataFrame:
    """
    Run pvlib's ModelChain from effective irradiance: plane light as read, module temperature, no losses of any kind.

    Coefficients of the Sandia model are used where the source of the data published them, else a fit to the label.
    """
    system, place, dc_model = _system(site, coefficients)
    chain = ModelChain(system, place, dc_model=dc_model, ac_model="pvwatts", aoi_model="no_loss",
                       spectral_model="no_loss", losses_model="no_loss", temperature_model="sapm")
    light = weather["poa_irradiance_w_m2"].clip(lower=0.0)
    lit = light > 1.0
    with np.errstate(all="ignore"):
        chain.run_model_from_effective_irradiance(pd.DataFrame({
            "effective_irradiance": light[lit], "poa_global": light[lit],
            "module_temperature": weather["module_temperature_c"][lit]}))
    return pd.DataFrame(chain.results.dc).reindex(weather.index)


def plain_chain(site: Site, weather: pd.DataFrame, interval_s: "pd.Series[float]",
                coefficients: Path | None) -> pd.DataFrame:
    """
    Run pvlib's ModelChain by its ordinary path from plane light, `run_model_from_poa`, on the same data.

    Beam and diffuse part come from pvlib's own `gti_dirint`. With the Sandia coefficients of the source its models of
    reflection and spectrum are those of `ModelChain.with_sapm`; with a label fitted after De Soto reflection is the
    physical model and the spectrum left out. ModelChain takes no other loss by default.
    """
    system, place, dc_model = _system(site, coefficients)
    sandia = dc_model == "sapm"
    chain = ModelChain(system, place, dc_model=dc_model, ac_model="pvwatts",
                       aoi_model="sapm" if sandia else "physical", spectral_model="sapm" if sandia else "no_loss",
                       losses_model="no_loss", temperature_model="sapm")
    mount = system.arrays[0].mount
    # ModelChain reckons the sun at its stamps: those are the middles of the intervals.
    middle = pd.DatetimeIndex(weather.index - pd.to_timedelta(interval_s.to_numpy() / 2.0, unit="s"))
    light = pd.Series(weather["poa_irradiance_w_m2"].clip(lower=0.0).to_numpy(), index=middle)
    sun = place.get_solarposition(middle)
    lit = ((light > 1.0) & (sun["apparent_zenith"] < 89.0)).to_numpy()
    sun, light, when = sun[lit], light[lit], middle[lit]
    angle = aoi(mount.surface_tilt, mount.surface_azimuth, sun["apparent_zenith"], sun["azimuth"])
    with np.errstate(all="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore")     # rows whose split does not converge are taken as diffuse
        split = gti_dirint(light, angle, sun["apparent_zenith"], sun["azimuth"], when, mount.surface_tilt,
                           mount.surface_azimuth, albedo=site.array.ground_albedo if site.array else 0.2,
                           pressure=101325.0 * np.exp(-site.altitude_m / 8434.5))
        beam = (split["dni"] * np.cos(np.radians(angle))).fillna(0.0).clip(lower=0.0)
        beam = beam.where(beam < light, light)
        chain.run_model_from_poa(pd.DataFrame({
            "poa_global": light, "poa_direct": beam, "poa_diffuse": light - beam,
            "module_temperature": weather["module_temperature_c"].to_numpy()[lit]}, index=when))
    return pd.DataFrame(chain.results.dc).reindex(middle).set_axis(weather.index)


def learned_elsewhere(site: Site, weather: pd.DataFrame, interval_s: "pd.Series[float]",
                      by_sheet_w: "pd.Series[float]", measured_w: "pd.Series[float]", fold: NDArray[np.int64]
                      ) -> "pd.Series[float]":
    """
    Predict every fold of a record by the chain and what the other folds have taught it.

    Parameters
    ----------
    site : Site
    weather : DataFrame
    interval_s : Series
    by_sheet_w, measured_w : Series
        The chain's power and the array's. [W]
    fold : ndarray of int, shape (n,)
        Which rows stay together; negative ones take no part.

    Returns
    -------
    power_w : Series
        By the sheet where too little can be learned. [W]
    """
    light = daylight(site, weather, interval_s)
    power: Floats = np.asarray(by_sheet_w, dtype=np.float64)
    measured: Floats = np.asarray(measured_w, dtype=np.float64)
    effects: Floats = np.zeros((power.size, 3), dtype=np.float64)
    passing: Floats = np.zeros(power.size, dtype=np.float64)
    effects[light.rows], passing[light.rows] = power_effects(site, light, np.nan_to_num(power[light.rows]))
    seconds = unix_seconds(pd.DatetimeIndex(weather.index))
    piece = np.asarray((seconds - seconds[0]) // PIECE_S, dtype=np.int64)
    length: Floats = np.asarray(interval_s, dtype=np.float64)
    usable = (fold >= 0) & np.isfinite(power) & np.isfinite(measured) & (power > 0.0)
    usable &= weather["poa_irradiance_w_m2"].to_numpy() >= BINS_W_M2[0]
    own = power.copy()
    for one in np.unique(fold[fold >= 0]):
        taught = usable & (fold != one)
        summed = _adder(piece, np.where(taught, length, 0.0))
        due = summed(power)
        full = due > 0.0
        moves = np.column_stack([summed(column) for column in effects.T])
        known = learn(summed(measured)[full], due[full], moves[full], summed(passing)[full],
                      np.flatnonzero(full).astype(np.float64) * PIECE_S / 86400.0)
        mine = fold == one
        own[mine] = np.maximum(power + effects @ known.mean, 0.0)[mine]
    return pd.Series(own, index=weather.index)


def _adder(piece: NDArray[np.int64], length: Floats) -> Callable[[Floats], Floats]:
    """Return what sums values times length up to pieces; rows of no length take no part."""
    count, taken = int(piece.max()) + 1, length > 0.0

    def add(values: Floats) -> Floats:
        return np.bincount(piece[taken], weights=(values * length)[taken], minlength=count).astype(np.float64)

    return add


def folds_of(site: Site, weather: pd.DataFrame, chosen: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return the local day of every chosen row, or its half of the day where there is but one; -1 for the others."""
    local = pd.DatetimeIndex(weather.index).tz_convert(site.timezone)
    lit = chosen & (weather["poa_irradiance_w_m2"] >= BINS_W_M2[0]).to_numpy()
    day = np.asarray((local.tz_localize(None).normalize() - local[0].tz_localize(None).normalize()).days)
    if len(np.unique(day[lit])) > 1:
        return np.where(chosen, day, -1)
    middle = np.median(np.flatnonzero(lit)) if lit.any() else 0.0
    return np.where(chosen, (np.arange(len(local)) > middle).astype(np.int64), -1)


def usual_losses(site: Site, when_utc: pd.DatetimeIndex) -> pd.Series:
    """Return the share of power that a clean healthy array on a grid inverter keeps, by age."""
    if site.array is None:
        raise ValueError(f"site {site.id} has no array.")
    years = (when_utc - pd.Timestamp(site.installed_on, tz="UTC")) / pd.Timedelta(days=365.25)
    kept = fixed_losses(site.array, np.maximum(np.asarray(years, dtype=np.float64), 0.0))
    return pd.Series(kept * GRID_TRACKING_SHARE, index=when_utc)


def compare_array(site: Site, readings: SiteReadings, days: list[str], coefficients: Path | None) -> pd.DataFrame:
    """Return bias and nRMSE of every model's power by irradiance bin, and the chain's bias of voltage and current."""
    weather, interval_s = weather_of(readings), readings.interval_s
    sheet = expect(site, weather, interval_s)
    power_w = weather["array_voltage_v"] * weather["array_current_a"]
    local = pd.DatetimeIndex(weather.index).tz_convert(site.timezone).strftime("%Y-%m-%d")
    chosen = np.isin(local, days) if days else np.ones(len(weather), dtype=bool)
    chosen &= sheet["sun_elevation_deg"].to_numpy() >= LEAST_SUN_DEG
    fold = folds_of(site, weather, chosen)
    plain = plain_chain(site, weather, interval_s, coefficients)["p_mp"]
    lossless = lossless_chain(site, weather, coefficients)["p_mp"]
    light = weather["poa_irradiance_w_m2"].to_numpy()
    models = {"sheet": sheet["expected_array_power_w"],
              "own": learned_elsewhere(site, weather, interval_s, sheet["expected_array_power_w"], power_w, fold),
              "plain": plain, "lossless": lossless,
              "fair": lossless * usual_losses(site, pd.DatetimeIndex(weather.index)),
              "scaled": _scaled_elsewhere(plain, power_w, fold, light)}
    beside = {"voltage": ("expected_array_voltage_v", "array_voltage_v"),
              "current": ("expected_array_current_a", "array_current_a")}
    rows = []
    for low, high in pairwise(BINS_W_M2):
        inside = chosen & (light >= low) & (light < high) & power_w.notna().to_numpy()
        if inside.sum() < 5:
            continue
        level = float(power_w[inside].mean())
        row: dict[str, float] = {"low_w_m2": low, "high_w_m2": high, "n": float(inside.sum()), "measured_w": level}
        for who in MODELS:
            miss = (models[who][inside] - power_w[inside]) / level
            row[f"bias_{who}"], row[f"nrmse_{who}"] = float(miss.mean()), float(np.sqrt((miss**2).mean()))
        for name, (mine, logged) in beside.items():
            row[f"{name}_bias"] = float(sheet[mine][inside].mean() / weather[logged][inside].mean() - 1.0)
        rows.append(row)
    return pd.DataFrame(rows)


def _scaled_elsewhere(plain_w: "pd.Series[float]", measured_w: "pd.Series[float]",
                      fold: NDArray[np.int64], light: Floats) -> "pd.Series[float]":
    """Give the plain model the one scale that the other folds ask for: what learning alone is worth."""
    both = plain_w.notna().to_numpy() & measured_w.notna().to_numpy() & (light >= BINS_W_M2[0]) & (fold >= 0)
    scaled = plain_w.copy()
    for one in np.unique(fold[fold >= 0]):
        taught = both & (fold != one)
        if taught.any():
            scaled[fold == one] *= float(measured_w[taught].sum() / plain_w[taught].sum())
    return scaled
