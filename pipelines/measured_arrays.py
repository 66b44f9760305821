"""Arrays on measured light: the chain beside a plain model chain of pvlib on the same data, by irradiance bin."""

import json
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
from pvlib.ivtools.sdm import fit_desoto
from pvlib.location import Location
from pvlib.modelchain import ModelChain
from pvlib.pvsystem import Array, FixedMount, PVSystem
from pvlib.temperature import TEMPERATURE_MODEL_PARAMETERS

from diagnostics.chain.array_alone import GRID_TRACKING_SHARE
from diagnostics.chain.daylight import fixed_losses
from diagnostics.expected import expect
from diagnostics.readings import SiteReadings
from diagnostics.site import Module, Site

BINS_W_M2 = (50.0, 200.0, 400.0, 600.0, 800.0, 1000.0, 1400.0)
# Quantity -> column of the chain, column of the plain model.
COMPARED = {"power": ("expected_array_power_w", "p_mp"), "voltage": ("expected_array_voltage_v", "v_mp"),
            "current": ("expected_array_current_a", "i_mp")}


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


def plain_chain(site: Site, weather: pd.DataFrame, coefficients: Path | None) -> pd.DataFrame:
    """
    Run pvlib's ModelChain on plane irradiance and module temperature, with no losses of any kind.

    Coefficients of the Sandia model are used where the source of the data published them, else a fit to the label.
    """
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
    chain = ModelChain(PVSystem([modules], inverter_parameters={"pdc0": 1e9}),
                       Location(site.latitude_deg, site.longitude_deg, altitude=site.altitude_m), dc_model=dc_model,
                       ac_model="pvwatts", aoi_model="no_loss", spectral_model="no_loss", losses_model="no_loss",
                       temperature_model="sapm")
    light = weather["poa_irradiance_w_m2"].clip(lower=0.0)
    lit = light > 1.0
    with np.errstate(all="ignore"):
        chain.run_model_from_effective_irradiance(pd.DataFrame({
            "effective_irradiance": light[lit], "poa_global": light[lit],
            "module_temperature": weather["module_temperature_c"][lit]}))
    return chain.results.dc.reindex(weather.index)


def usual_losses(site: Site, when_utc: pd.DatetimeIndex) -> pd.Series:
    """Return the share of power that a clean healthy array on a grid inverter keeps, by age."""
    if site.array is None:
        raise ValueError(f"site {site.id} has no array.")
    years = (when_utc - pd.Timestamp(site.installed_on, tz="UTC")) / pd.Timedelta(days=365.25)
    kept = fixed_losses(site.array, np.maximum(np.asarray(years, dtype=np.float64), 0.0))
    return pd.Series(kept * GRID_TRACKING_SHARE, index=when_utc)


def compare_array(site: Site, readings: SiteReadings, days: list[str], coefficients: Path | None) -> pd.DataFrame:
    """
    Return bias and nRMSE of power, voltage and current by irradiance bin, the chain beside the plain model.

    `fair` is the plain model with the losses a healthy array has here too: mismatch, connections, age and tracking.
    """
    weather = weather_of(readings)
    ours, plain = expect(site, weather, readings.interval_s), plain_chain(site, weather, coefficients)
    measured = {"voltage": weather["array_voltage_v"], "current": weather["array_current_a"],
                "power": weather["array_voltage_v"] * weather["array_current_a"]}
    fair = plain["p_mp"] * usual_losses(site, pd.DatetimeIndex(weather.index))
    local = pd.DatetimeIndex(weather.index).tz_convert(site.timezone).strftime("%Y-%m-%d")
    chosen = np.isin(local, days) if days else np.ones(len(weather), dtype=bool)
    light = weather["poa_irradiance_w_m2"].to_numpy()
    rows = []
    for low, high in pairwise(BINS_W_M2):
        inside = chosen & (light >= low) & (light < high) & measured["power"].notna().to_numpy()
        if inside.sum() < 5:
            continue
        row: dict[str, float] = {"low_w_m2": low, "high_w_m2": high, "n": float(inside.sum()),
                                 "measured_w": float(measured["power"][inside].mean())}
        for name, (mine, theirs) in COMPARED.items():
            level = float(measured[name][inside].mean())
            compared = [("ours", ours[mine]), ("plain", plain[theirs])]
            for who, values in compared + ([("fair", fair)] if name == "power" else []):
                miss = (values[inside] - measured[name][inside]) / level
                row[f"{name}_bias_{who}"] = float(miss.mean())
                row[f"{name}_nrmse_{who}"] = float(np.sqrt((miss**2).mean()))
        rows.append(row)
    return pd.DataFrame(rows)
