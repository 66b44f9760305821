"""
CPU seconds to diagnose one site-year, and milliseconds of one night's run a site, on one core.

Run with ``python -m tests.benchmarks.bench_diagnosis``. The reference of the same run is a plain pass over the same
readings with pandas: daily means of every channel.
"""

import time
from datetime import date

import numpy as np
from threadpoolctl import threadpool_limits

from diagnostics.diagnose import diagnose_site
from diagnostics.proving.drawing import draw_site
from diagnostics.proving.planting import PlantedFault
from diagnostics.proving.simulate import simulate_many
from pipelines.proof.diagnosing import until

DAYS = 365
STEP_S = 900.0
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


def main() -> None:
    """Print the benchmark."""
    with threadpool_limits(1):
        for label, (site, readings) in zip(("sound", "failing"), plants(), strict=True):
            plain = best_cpu_s(lambda r=readings: r.values.resample("1D").mean())
            year = best_cpu_s(lambda s=site, r=readings: diagnose_site(s, r))
            # A night weighs the whole record again, so that it says what a full run says.
            month = until(readings, readings.values.index[int(30 * 86400 / STEP_S)])
            young = best_cpu_s(lambda s=site, r=month: diagnose_site(s, r))
            print(f"{label:8s} site-year, {len(readings.values):,} rows: {year:6.2f} CPU s (goal {GOAL_SITE_YEAR_S:g}),"
                  f" {year / plain:,.0f} times plain daily means")
            print(f"{label:8s} a night of a site with a year on record: {year * 1e3:6.0f} ms, with a month: "
                  f"{young * 1e3:6.0f} ms (goal {GOAL_NIGHT_MS:g})")


if __name__ == "__main__":
    main()
