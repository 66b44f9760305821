"""
Make the demo scenario: run the plants of fleet/sites with what demo_scenario.py plants, and write what loggers left.

    python sample-logs/make_demo.py [--into FOLDER] [--days N] [--sites ID ...]

The site sheets, equipment and logger profiles in fleet/ are written by hand and only read here. Everything below
fleet/logs, fleet/service-log.csv, truth.toml and truth-daily.csv.gz is written anew, the same bit for bit.
"""

import argparse
import sys
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE)]

from demo_files import write_logs  # noqa: E402
from demo_machines import MACHINES  # noqa: E402
from demo_scenario import DAYS, FIRST_DAY, REGION_SEEDS, SCENARIO, SEED, SiteScenario  # noqa: E402

from diagnostics.proving.simulate import Plant, simulate_many  # noqa: E402
from diagnostics.proving.sky import CLIMATES  # noqa: E402
from diagnostics.proving.truth import TruePlant, true_plant  # noqa: E402
from diagnostics.site import Site  # noqa: E402
from pipelines.fleet import load_fleet  # noqa: E402


def plants_of(sites: dict[str, Site], wanted: list[str]) -> list[TruePlant]:
    """Draw the true plant behind every sheet; a site's draw does not depend on which others are made."""
    plants = []
    for site_id in wanted:
        site, scenario = sites[site_id], SCENARIO[site_id]
        rng = np.random.default_rng([SEED, *site_id.encode()])
        climate = replace(CLIMATES["high_desert"], wind_m_s=scenario.wind_m_s)
        plants.append(true_plant(site, rng, climate=climate, machine=MACHINES[site.pump.key],
                                 channels=scenario.channels, logger_step_s=scenario.step_s,
                                 demand_m3_day=scenario.demand_m3_day, demand_kind=scenario.demand_kind,
                                 age_years=(FIRST_DAY - site.installed_on).days / 365.25,
                                 region_seed=REGION_SEEDS[site.region]))
    return plants


def run(sites: dict[str, Site], wanted: list[str], days: int) -> dict[str, Plant]:
    """Run the plants of the scenario together."""
    plants = plants_of(sites, wanted)
    ran = simulate_many(plants, start_day=FIRST_DAY, days=days, rng=np.random.default_rng(SEED),
                        faults=[SCENARIO[s].faults for s in wanted],
                        dull_days=[SCENARIO[s].dull_days for s in wanted], inner_step_s=150.0)
    return dict(zip(wanted, ran, strict=True))


def truth_toml(wanted: list[str]) -> str:
    """Say what was planted, for the commands that score; the diagnosis never reads it."""
    lines = ["# What was planted in the demo scenario. Read by scoring commands only, never by the diagnosis.", "",
             f"first_day = {FIRST_DAY.isoformat()}", f"days = {DAYS}", f"seed = {SEED}", ""]
    for site_id in wanted:
        scenario = SCENARIO[site_id]
        lines += [f"[sites.{site_id}]", f'cause = "{scenario.cause}"']
        if scenario.state:
            lines.append(f'state = "{scenario.state}"')
        if scenario.group:
            lines.append("group = [" + ", ".join(f'"{c}"' for c in scenario.group) + "]")
        for fault in scenario.faults:
            lines += [f"onset = {_day(fault.start_day).isoformat()}", f'shape = "{fault.shape}"',
                      f"size = {fault.size:g}", f'size_means = "{_size_means(fault.cause)}"']
            if fault.shape == "ramp" and fault.cause != "soiled_array":
                lines.append(f"full_size_on = {_day(fault.start_day + fault.ramp_days).isoformat()}")
            if fault.end_day is not None:
                lines.append(f"mended_on = {_day(fault.end_day).isoformat()}")
        lines += [f'says = "{scenario.says}"', ""]
    return "\n".join(lines)


def _size_means(cause: str) -> str:
    from diagnostics.proving.planting import SIZE_MEANS

    return SIZE_MEANS[cause]


def _day(offset: float) -> date:
    return (pd.Timestamp(FIRST_DAY) + pd.Timedelta(days=int(offset))).date()


def truth_daily(ran: dict[str, Plant]) -> pd.DataFrame:
    """Healthy and true delivery of each local day, before any reading was lost."""
    parts = []
    for site_id, plant in ran.items():
        truth, site = plant.truth, plant.plant.site
        step = plant.plant.logger_step_s
        local = (truth.index - pd.Timedelta(seconds=step / 2)).tz_convert(site.timezone)
        volumes = truth[["healthy_flow_m3_s", "true_flow_m3_s"]] * step
        daily = volumes.groupby(local.date).sum()
        sun = truth["state"].ne("night").groupby(local.date).sum()
        shares = {state: (truth["state"].eq(state).groupby(local.date).sum() / sun.clip(lower=1)).round(3)
                  for state in ("tank_full", "low_water", "stopped")}
        parts.append(pd.DataFrame({"site_id": site_id, "day": daily.index,
                                   "healthy_m3": daily["healthy_flow_m3_s"].round(4).to_numpy(),
                                   "true_m3": daily["true_flow_m3_s"].round(4).to_numpy(),
                                   **{f"{name}_share": share.to_numpy() for name, share in shares.items()}}))
    return pd.concat(parts, ignore_index=True)


def service_log(wanted: list[str], days: int) -> str:
    """Write the crew's log: one repair that worked, one that did not, and ordinary visits."""
    rows = []
    for site_id in wanted:
        for when, by, action, meant_for, says in SCENARIO[site_id].events:
            if when < days:
                stamp = pd.Timestamp(FIRST_DAY) + pd.Timedelta(minutes=round(when * 1440 / 5) * 5)
                rows.append((stamp, site_id, by, action, meant_for, says))
    visits: list[tuple[int, str, str]] = [(20, "tule-house", "Routine visit, all in order"),
                                          (33, "draw-camp", "Routine visit, all in order"),
                                          (100, "north-trough", "Owner reports less water; nothing seen above ground")]
    for day, site_id, says in visits:
        if site_id in wanted and day < days:
            rows.append((pd.Timestamp(FIRST_DAY) + pd.Timedelta(days=day, hours=10), site_id, "T. Okafor", "inspected",
                         "", says))
    lines = ["site_id,when,by,action,meant_for,says"]
    lines += [f"{site_id},{stamp.strftime('%Y-%m-%dT%H:%M')},{by},{action},{meant_for},\"{says}\""
              for stamp, site_id, by, action, meant_for, says in sorted(rows)]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Make the scenario, or a short part of it into another folder."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--into", type=Path, default=HERE, help="folder that gets fleet/logs, truth.toml, ...")
    parser.add_argument("--days", type=int, default=DAYS)
    parser.add_argument("--sites", nargs="*", default=list(SCENARIO))
    chosen = parser.parse_args()
    fleet = load_fleet(HERE / "fleet")
    wanted = [site_id for site_id in SCENARIO if site_id in set(chosen.sites)]
    ran = run(fleet.sites, wanted, chosen.days)
    logs = chosen.into / "fleet" / "logs"
    size = write_logs(ran, logs, SEED)
    (chosen.into / "fleet" / "service-log.csv").write_text(service_log(wanted, chosen.days), encoding="utf-8")
    (chosen.into / "truth.toml").write_text(truth_toml(wanted), encoding="utf-8")
    truth_daily(ran).to_csv(chosen.into / "truth-daily.csv.gz", index=False, lineterminator="\n",
                            compression={"method": "gzip", "mtime": 0, "compresslevel": 9})
    print(f"{len(wanted)} sites, {chosen.days} days, {size / 1e6:.2f} MB of logger files in {logs}")


__all__ = ["SiteScenario", "main", "plants_of", "run"]

if __name__ == "__main__":
    main()
