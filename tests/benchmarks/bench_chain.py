"""
Speed, memory and table error of the chain against a naive reference on the same rows.

The reference is what one would write first: pvlib's ModelChain for the array, then a root-finder for every row.

Run with ``python -m tests.benchmarks.bench_chain`` (add ``--rows 200000`` for a shorter run).
"""

import argparse
import cProfile
import os
import pstats
import resource
import time
import tracemalloc
from concurrent.futures import ProcessPoolExecutor

import numpy as np
import pandas as pd
from fluids.friction import friction_factor
from pvlib import irradiance
from pvlib.location import Location
from pvlib.modelchain import ModelChain
from pvlib.pvsystem import Array as PvArray
from pvlib.pvsystem import FixedMount, PVSystem
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq

from diagnostics.chain.drive import TRACKING_SHARE
from diagnostics.chain.module import diode_parameters
from diagnostics.chain.operating_point import drive_of, load_line, motor_of
from diagnostics.chain.pipework import CHECK_VALVE_K
from diagnostics.chain.pump_end import centrifugal_end
from diagnostics.expected import SiteModel, expect, light_of
from diagnostics.health import HEALTHY
from diagnostics.site import Site
from tests.diagnostics.chain import invented_sites as sites

STEP_S = 600.0
GOAL_RATIO = 20.0


def broken_weather(site: Site, rows: int, seed: int = 1) -> pd.DataFrame:
    """Level irradiance, air and wind for many days, with clouds that come and go."""
    index = pd.date_range("2015-01-01", periods=rows, freq=f"{int(STEP_S)}s", tz="UTC", name="interval_end_utc")
    rng = np.random.default_rng(seed)
    light = light_of(site, pd.DataFrame(index=index), STEP_S)
    clear = np.zeros(rows)
    clear[light.rows] = light.clear_sky_poa_w_m2
    cloud = 0.65 + 0.35 * np.tanh(np.convolve(rng.normal(size=rows), np.ones(9) / 3, mode="same"))
    return pd.DataFrame({"global_horizontal_irradiance_w_m2": clear * cloud,
                         "air_temperature_c": 24.0 + 6 * np.sin(np.arange(rows) / 23.0),
                         "wind_speed_m_s": np.abs(rng.normal(2.5, 1.2, rows))}, index=index)


def _naive_power_w(site: Site, weather: pd.DataFrame) -> pd.Series:
    array = site.array
    diode = diode_parameters(array.module)
    parameters = {"alpha_sc": diode.isc_per_k_a, "a_ref": diode.modified_ideality_v, "I_L_ref": diode.photocurrent_a,
                  "I_o_ref": diode.saturation_current_a, "R_sh_ref": diode.shunt_resistance_ohm,
                  "R_s": diode.series_resistance_ohm, "EgRef": 1.121, "dEgdT": -0.0002677}
    mounted = PvArray(FixedMount(array.tilt_deg, array.azimuth_deg), albedo=array.ground_albedo,
                      module_parameters=parameters, modules_per_string=array.modules_in_series,
                      strings=array.strings_in_parallel,
                      temperature_model_parameters={"u0": array.heat_loss_constant_w_m2_k,
                                                    "u1": array.heat_loss_wind_w_s_m3_k})
    system = PVSystem([mounted], inverter_parameters={"pdc0": 1e5})
    place = Location(site.latitude_deg, site.longitude_deg, altitude=site.altitude_m)
    chain = ModelChain(system, place, dc_model="desoto", ac_model="pvwatts", aoi_model="physical",
                       spectral_model="no_loss", temperature_model="faiman", transposition_model="perez",
                       losses_model="no_loss")
    middle = weather.index - pd.Timedelta(STEP_S / 2, unit="s")
    sun = place.get_solarposition(middle)
    ghi = weather["global_horizontal_irradiance_w_m2"].to_numpy()
    split = irradiance.erbs(ghi, sun["zenith"].to_numpy(), middle)
    chain.run_model(pd.DataFrame({"ghi": ghi, "dni": np.nan_to_num(np.asarray(split["dni"])),
                                  "dhi": np.nan_to_num(np.asarray(split["dhi"])),
                                  "temp_air": weather["air_temperature_c"].to_numpy(),
                                  "wind_speed": weather["wind_speed_m_s"].to_numpy()}, index=middle))
    power = chain.results.dc["p_mp"].fillna(0.0) * (1.0 - array.mismatch_loss_pct / 100.0)
    return pd.Series(power.to_numpy(), index=weather.index)


class NaivePump:
    """One operating point at a time, with a root-finder."""

    def __init__(self, site: Site) -> None:
        self.site = site
        pump = site.pump
        flow = [p.flow_m3_s for p in pump.curve]
        self.head = PchipInterpolator(flow, [p.head_m for p in pump.curve], extrapolate=True)
        self.shaft = PchipInterpolator(flow, [p.power_w for p in pump.curve], extrapolate=True)
        self.top = flow[-1]
        self.end = centrifugal_end(pump, 998.2)
        self.motor, self.drive = motor_of(site, HEALTHY), drive_of(site, HEALTHY)

    def system_head(self, flow: float) -> float:
        """Level, outlet and friction for a flow."""
        well, pipes = self.site.well, self.site.pipework
        head = well.static_water_level_m + pipes.outlet_height_m
        head += well.drawdown_linear_s_m2 * flow + well.drawdown_quadratic_s2_m5 * flow**2
        for i, run in enumerate(pipes.runs):
            v = flow / (np.pi / 4 * run.bore_m**2)
            k = run.minor_loss_k + (CHECK_VALVE_K * len(pipes.check_valve_depths_m) if i == 0 else 1.0)
            f = friction_factor(Re=max(v * run.bore_m / 1.0e-6, 1.0), eD=run.roughness_m / run.bore_m)
            head += (f * run.length_m / run.bore_m + k) * v**2 / 19.6133
        return float(head)

    def power(self, flow: float) -> tuple[float, float]:
        """Power into the drive and speed ratio for a flow."""
        wanted = self.system_head(flow)
        ratio = brentq(lambda r: r**2 * float(self.head(min(flow / r, 1.5 * self.top))) - wanted, 0.3, 3.0)
        speed = ratio * self.site.pump.rated_speed_rpm
        torque = ratio**3 * float(self.shaft(flow / ratio)) / (speed * np.pi / 30)
        torque *= float(self.end.low_speed_penalty(np.array(speed)))
        return float(self.drive.input_power_w(self.motor.input_power_w(torque, speed))), speed

    def flow(self, power: float) -> float:
        """Flow for a power into the drive."""
        if power <= self.power(1e-7)[0]:
            return 0.0
        last = brentq(lambda q: self.power(q)[1] - self.drive.speed_max_rpm, 1e-7, 1.4 * self.top)
        if self.power(last)[0] <= power:
            return last
        return brentq(lambda q: self.power(q)[0] - power, 1e-7, last, xtol=1e-9)


def table_error_of_rated_flow(site: Site, draws: int = 400) -> float:
    """Largest difference between table and point-by-point solution, over rated flow."""
    model = SiteModel.build(site)
    rng = np.random.default_rng(5)
    worst = 0.0
    for level in site.well.static_water_level_m + rng.uniform(-1.0, 1.0, 20):
        line = load_line(site, model.side, drive_of(site, HEALTHY), motor_of(site, HEALTHY), np.array([level]), HEALTHY,
                         steady=True)
        place = model.steady.locate(0.0, level)
        power = rng.uniform(float(place.start), float(place.end), draws // 20)
        exact = np.interp(power, line.drive_power_w[0], line.flow_m3_s)
        worst = max(worst, float(np.abs(model.flow_at_power(power, level) - exact).max()))
    return worst / model.rated_flow_m3_s


def _timed(work, repeats: int = 3) -> float:
    best = np.inf
    for _ in range(repeats):
        started = time.process_time()
        work()
        best = min(best, time.process_time() - started)
    return best


def _one_site(rows: int) -> int:
    site = sites.centrifugal()
    return len(expect(site, broken_weather(site, rows, seed=3), STEP_S))


def two_cores_intervals_per_s(rows: int) -> tuple[float, float]:
    """Wall-clock rate of one process after the other, and of two beside each other, weather made in both."""
    with ProcessPoolExecutor(max_workers=2) as pool:
        list(pool.map(_one_site, [1000, 1000]))
        started = time.perf_counter()
        _one_site(rows)
        _one_site(rows)
        alone = time.perf_counter() - started
        started = time.perf_counter()
        list(pool.map(_one_site, [rows, rows]))
        together = time.perf_counter() - started
    return 2 * rows / alone, 2 * rows / together


def main() -> None:
    """Print the benchmark."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--naive-rows", type=int, default=4320)
    options = parser.parse_args()
    site = sites.centrifugal()
    SiteModel.build(site)
    build = _timed(lambda: SiteModel.build(site, HEALTHY.replaced(extra_static_level_m=0.5)), 5)
    model = SiteModel.build(site)

    few = broken_weather(site, options.naive_rows)
    started = time.process_time()
    power = _naive_power_w(site, few)
    array_s = time.process_time() - started
    pump = NaivePump(site)
    naive_flow = np.array([pump.flow(p * TRACKING_SHARE) for p in power])
    naive_s = time.process_time() - started
    ours_few = expect(site, few, STEP_S, model=model)
    ours_few_s = _timed(lambda: expect(site, few, STEP_S, model=model))
    share = ours_few["expected_flow_m3_s"].sum() / naive_flow.sum()

    many = broken_weather(site, options.rows, seed=2)
    light_s = _timed(lambda: light_of(site, many, STEP_S), 2)
    light = light_of(site, many, STEP_S)
    water_s = _timed(lambda: expect(site, many, STEP_S, model=model, light=light), 2)
    tracemalloc.start()
    expect(site, many, STEP_S, model=model)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()

    per_naive, per_ours = naive_s / len(few), (light_s + water_s) / len(many)
    print(f"rows: {len(many):,} of {STEP_S:.0f} s, one site, one core of {os.cpu_count()}; CPU seconds, best of few")
    print(f"model of one state of health      {build * 1e3:8.1f} ms")
    print(f"light (position to cell warmth)   {light_s / len(many) * 1e6:8.2f} s per million intervals")
    print(f"drive, pump, well, interval       {water_s / len(many) * 1e6:8.2f} s per million intervals")
    one, two = two_cores_intervals_per_s(max(options.rows // 4, 1000))
    print(f"full chain                        {1 / per_ours:10,.0f} intervals/s of CPU time on one core")
    print(f"full chain, wall clock            {one:10,.0f} intervals/s on one core, {two:,.0f} on two "
          f"({two / one:.2f} times; weather made in both)")
    print(f"naive reference, {len(few):,} rows      {1 / per_naive:10,.0f} intervals/s "
          f"({array_s / naive_s:.0%} array, {1 - array_s / naive_s:.0%} root-finder)")
    print(f"ratio on a million rows           {per_naive / per_ours:8.0f}   (goal {GOAL_RATIO:.0f}); "
          f"on the same few rows {naive_s / ours_few_s:.0f}")
    print(f"water, ours over naive            {share:8.4f}   (naive: no delay, clouds, cable, small losses)")
    print(f"memory, peak                      {peak / len(many) * 1e6 / 2**20:8.0f} MiB per million intervals "
          f"(process {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MiB)")
    for make in (sites.centrifugal, sites.frequency, sites.diaphragm, sites.helical, sites.plunger):
        each = make()
        print(f"table error, {each.id:20s} {table_error_of_rated_flow(each):9.5%} of rated flow (bound 0.2 %)")
    profile = cProfile.Profile()
    profile.enable()
    expect(site, many, STEP_S, model=model)
    profile.disable()
    print("\nwhere the time goes, own seconds:")
    rows = sorted(((value[2], f"{key[0].rsplit('/', 1)[-1]}:{key[2]}") for key, value in
                   pstats.Stats(profile).stats.items()), reverse=True)
    for seconds, name in rows[:12]:
        print(f"  {seconds:7.3f}  {name}")


if __name__ == "__main__":
    main()
