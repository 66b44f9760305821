"""
CPU seconds to diagnose one site-year, and milliseconds of one night's run a site, on one core.

Run with ``python -m tests.benchmarks.bench_diagnosis``. The reference of the same run is a plain pass over the same
readings with pandas: daily means of every channel.
"""

import statistics
import time
from datetime import date, timedelta

import numpy as np
from threadpoolctl import threadpool_limits

from diagnostics.diagnose import diagnose_site
from diagnostics.nights import Preparation, light_night, weigh_night, window_of
from diagnostics.nights.standing import WEEK_DAYS
from diagnostics.nights.walk import first_day_of
from diagnostics.proving.drawing import draw_site
from diagnostics.proving.planting import PlantedFault
from diagnostics.proving.simulate import simulate_many
from diagnostics.quality.masking import masked

DAYS = 365
STEP_S = 900.0
WEEKS = 8
MASKS = Preparation(masks=lambda site, readings: masked(site, readings))
GOAL_SITE_YEAR_S, GOAL_NIGHT_MS = 2.0, 50.0


def plants():
    """Run a sound and a failing plant for a year on a fifteen-minute logger."""
    drawn = [draw_site(np.random.default_rng(seed), family, "tracking", "veld", number=seed, sensors="array, tank",
                       step_s=STEP_S) for seed, family in ((1, "centrifugal_submersible"), (2, "helical_submersible"))]
    faults = [(), (PlantedFault("falling_water_table", 150.0, 0.2 * drawn[1].truth.machine.head_m, "ramp", 60.0),)]
    ran = simulate_many([one.truth for one in drawn], start_day=date(2025, 1, 1), days=DAYS,
                        rng=np.random.default_rng(5), faults=faults, inner_step_s=STEP_S)
    return [(one.site, plant.readings) for one, plant in zip(drawn, ran, strict=True)]


def best_cpu_s(work, repeats: int = 3) -> float:
    """Return the least CPU seconds of a few runs."""
    best = float("inf")
    for _ in range(repeats):
        began = time.process_time()
        work()
        best = min(best, time.process_time() - began)
    return best


def nights(site, readings):
    """
    Go through the six nights after a weighing in weeks spread over the year.

    Returns the CPU seconds of each night reckoned by its new day, masks and models included; those of each weighing;
    and the share of nights between two weighings that asked for one more.
    """
    first = first_day_of(site, readings)
    light, weighed, asked, seen = [], [], 0, 0
    for week in range(WEEKS):
        day = first + timedelta(days=60 + week * (DAYS - 70) // (WEEKS - 1))
        began = time.process_time()
        _, night = weigh_night(site, readings, day, preparation=MASKS)
        weighed.append(time.process_time() - began)
        for ahead in range(1, WEEK_DAYS):
            new = day + timedelta(days=ahead)
            window = window_of(site, readings, new)
            began = time.process_time()
            found = light_night(site, night, window, new, preparation=MASKS)
            light.append(time.process_time() - began)
            seen += 1
            if isinstance(found, str):
                asked += 1
                _, night = weigh_night(site, readings, new, preparation=MASKS)
            else:
                night = found.night
    return light, weighed, asked / seen


def main() -> None:
    """Print the benchmark."""
    with threadpool_limits(1):
        for label, (site, readings) in zip(("sound", "failing"), plants(), strict=True):
            plain = best_cpu_s(lambda r=readings: r.values.resample("1D").mean())
            year = best_cpu_s(lambda s=site, r=readings: diagnose_site(s, r))
            print(f"{label:8s} site-year, {len(readings.values):,} rows: {year:6.2f} CPU s (goal {GOAL_SITE_YEAR_S:g}),"
                  f" {year / plain:,.0f} times plain daily means")
            light, weighed, asked = nights(site, readings)
            usual, full = statistics.median(light), statistics.mean(weighed)
            mean = (full + (WEEK_DAYS - 1) * (usual + asked * full)) / WEEK_DAYS
            print(f"{label:8s} a night reckoned by its new day: median {usual * 1e3:.0f} ms, worst of {len(light)} "
                  f"{max(light) * 1e3:.0f} ms (goal {GOAL_NIGHT_MS:g})")
            print(f"{label:8s} a night that weighs, mean over the year: {full * 1e3:.0f} ms; every seventh, and "
                  f"{asked:.0%} of the others; mean of all nights {mean * 1e3:.0f} ms")


if __name__ == "__main__":
    main()
