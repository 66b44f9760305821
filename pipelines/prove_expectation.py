"""
Hold the expected delivery of sound proving plants against what they delivered, by family, and print what came out.

    python -m pipelines.prove_expectation --plants 8 --days 90 --markdown

The plants' physics is coded apart from the chain and richer than it, and each is another draw of its machine than the
one its sheet was printed from. Their arrays are kept clean, for dust is a cause and no part of health. The chain sees
the sheet and the logged weather alone; beside it stands what it says of the same days once the first thirty, which are
not counted, have taught it.
"""

import argparse
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import pandas as pd
from rich.console import Console
from rich.table import Table

from diagnostics.chain.describable import ChainNotAvailable, refuse_what_has_no_chain
from diagnostics.chain.learned import learn_from_rows
from diagnostics.evidence.intervals import WEATHER_CHANNELS
from diagnostics.expected import SiteModel, expect, light_of
from diagnostics.proving.drawing import DRIVES_OF, FAMILY_SHARES, DrawnSite, draw_site
from diagnostics.proving.simulate import Plant, simulate_many
from diagnostics.site import Site
from pipelines.markdown_table import markdown_table

START_DAY = date(2025, 3, 1)
# A day counts with nearly all of its water in known intervals, and with more than a trickle.
LEAST_KNOWN, LEAST_OF_MEAN = 0.9, 0.05
ALL = "all"
OWN = ("own: nRMSE %", "own: bias %", "own: days in interval, %", "own: half width %")


@dataclass(frozen=True)
class Held:
    """Days of delivery beside an expectation and its interval, all in m3: delivered, expected, low, high."""

    days: pd.DataFrame

    @property
    def bias(self) -> float:
        """Expected over delivered, less one. [1]"""
        return float(self.days["expected"].sum() / self.days["delivered"].sum() - 1.0)

    @property
    def nrmse(self) -> float:
        """Root mean square of the daily error over the mean day. [1]"""
        miss = self.days["expected"] - self.days["delivered"]
        return float(np.sqrt((miss**2).mean()) / self.days["delivered"].mean())

    @property
    def covered(self) -> float:
        """Share of days inside the interval. [1]"""
        inside = (self.days["low"] <= self.days["delivered"]) & (self.days["delivered"] <= self.days["high"])
        return float(inside.mean())

    @property
    def half_width(self) -> float:
        """Mean half width of the daily interval over the mean day. [1]"""
        return float((self.days["high"] - self.days["low"]).mean() / 2.0 / self.days["delivered"].mean())


@dataclass(frozen=True)
class PlantDays:
    """One plant's days beside what sheet and own record expect of them; `per_energy_bias` for batteries only."""

    family: str
    drive: str
    region: str
    light: str
    sheet: Held
    own: Held | None = None             # after learning; None where nothing was learned
    per_energy_bias: float = float("nan")
    bias_without_spread: float = float("nan")   # were the light inside each interval taken as even


def draw_plants(rng: np.random.Generator, plants: int, families: Sequence[str]) -> list[DrawnSite]:
    """Draw sound plants of each family, its drives and sources in turn."""
    drawn: list[DrawnSite] = []
    for family in families:
        kinds = tuple(dict.fromkeys(DRIVES_OF[family]))
        for number in range(plants):
            kind = kinds[number % len(kinds)]
            one = draw_site(rng, family, kind, number=len(drawn), step_s=600.0)
            while not _has_chain(one.site):     # a table of power against flow says nothing of a direct coupling
                one = draw_site(rng, family, kind, number=len(drawn), step_s=600.0)
            drawn.append(replace(one, truth=one.truth.replaced(dust_pct_day=0.0)))
    return drawn


def _has_chain(site: Site) -> bool:
    try:
        refuse_what_has_no_chain(site)
    except ChainNotAvailable:
        return False
    return True


def days_of(one: DrawnSite, plant: Plant, learn_days: int = 0) -> PlantDays | None:
    """
    Return a plant's days beside their expectation; None where hardly a day can be counted.

    The first `learn_days` teach what the sheet leaves open and are not counted themselves.
    """
    site, readings = one.site, plant.readings
    weather = pd.DataFrame({name: readings.sound(name) for name in WEATHER_CHANNELS}, index=readings.values.index)
    model = SiteModel.build(site)
    light = light_of(site, weather, readings.interval_s)
    table = expect(site, weather, readings.interval_s, model=model, light=light, with_effects=True)
    even = replace(light, cloud_spread=np.zeros_like(light.cloud_spread))
    plain = expect(site, weather, readings.interval_s, model=model, light=even)["expected_flow_m3_s"]
    delivered = plant.truth["healthy_flow_m3_s"].reindex(table.index).to_numpy(dtype=np.float64)
    seconds = readings.interval_s.to_numpy(dtype=np.float64)
    flow = table["expected_flow_m3_s"].to_numpy(dtype=np.float64)
    known = np.isfinite(flow) & np.isfinite(delivered)
    local = pd.DatetimeIndex(table.index - pd.to_timedelta(seconds / 2.0, unit="s")).tz_convert(site.timezone)
    day = np.asarray((local.tz_localize(None).normalize() - local[0].tz_localize(None).normalize()).days)
    volumes = pd.DataFrame({"delivered": delivered, "even": plain, **_named(table, "")}, index=table.index)
    if learn_days:
        learned = learn_from_rows(table, flow, delivered, seconds, day, known & (day < learn_days))
        after = expect(site, weather, readings.interval_s, model=model, light=light, learned=learned)
        volumes = volumes.assign(**_named(after, "own_"))
    volumes = volumes.mul(seconds, axis=0).where(pd.Series(known, index=table.index), 0.0).fillna(0.0)
    volumes["known_s"] = np.where(known, seconds, 0.0)
    by_day = volumes[day >= learn_days].groupby(day[day >= learn_days]).sum()
    usable = by_day["known_s"] >= LEAST_KNOWN * 86400.0
    usable &= by_day["delivered"] + by_day["expected"] >= LEAST_OF_MEAN * by_day["delivered"][usable].mean()
    if usable.sum() < 10 or by_day["delivered"][usable].sum() <= 0.0:
        return None
    source = ("wind" if site.array is None else
              "plane" if "poa_irradiance_w_m2" in readings.values.columns else "horizontal")
    counted = by_day[usable]
    columns = ["expected", "low", "high"]
    own = counted[["delivered"]].assign(**{name: counted[f"own_{name}"] for name in columns}) if learn_days else None
    return PlantDays(one.family, one.drive, one.climate, source, Held(counted[["delivered", *columns]]),
                     None if own is None else Held(own), _per_energy_bias(site, model, plant),
                     float(counted["even"].sum() / counted["delivered"].sum() - 1.0))


def _named(table: pd.DataFrame, prefix: str) -> dict[str, pd.Series]:
    return {f"{prefix}expected": table["expected_flow_m3_s"], f"{prefix}low": table["expected_flow_low_m3_s"],
            f"{prefix}high": table["expected_flow_high_m3_s"]}


def _per_energy_bias(site: Site, model: SiteModel, plant: Plant) -> float:
    """Water per energy drawn from the bus, expected over true: what a system on a battery is judged by."""
    values = plant.readings.values
    needed = {"battery_voltage_v", "battery_current_a", "array_voltage_v", "array_current_a"}
    if not model.on_battery or not needed <= set(values.columns):
        return float("nan")
    sound = {name: plant.readings.sound(name).to_numpy(dtype=np.float64) for name in needed}
    drawn = (sound["array_voltage_v"] * sound["array_current_a"] * 0.96
             - sound["battery_voltage_v"] * sound["battery_current_a"])
    flow = plant.truth["true_flow_m3_s"].reindex(values.index).to_numpy(dtype=np.float64)
    pumping = np.isfinite(drawn) & np.isfinite(flow) & (flow > 0.5 * np.nanmax(flow)) & (drawn > 0.0)
    if pumping.sum() < 20:
        return float("nan")
    true = float(flow[pumping].sum() / drawn[pumping].sum())
    return float(model.water_per_energy_m3_j(site.well.static_water_level_m)) / true - 1.0


def table_of(found: Sequence[PlantDays], group: str) -> pd.DataFrame:
    """
    Sum plants up by an attribute of theirs.

    Parameters
    ----------
    found : sequence of PlantDays
    group : str
        "family", "drive" or "light".

    Returns
    -------
    table : DataFrame
        One row a group and one for all: plants, days, nRMSE (root mean square over plants), mean and extreme bias,
        share of days inside the 95 % interval, its half width.
    """
    rows = []
    for name in [*dict.fromkeys(getattr(one, group) for one in found), ALL]:
        ours = [one for one in found if name in (ALL, getattr(one, group))]
        energy = [one.per_energy_bias for one in ours if np.isfinite(one.per_energy_bias)]
        by_sheet = _summed([one.sheet for one in ours])
        row = {group: name, "plants": len(ours), "days": sum(len(one.sheet.days) for one in ours),
               "daily nRMSE %": by_sheet[0], "bias %": by_sheet[1],
               "bias, light even inside %": 100.0 * float(np.mean([one.bias_without_spread for one in ours])),
               "least %": 100.0 * min(one.sheet.bias for one in ours),
               "most %": 100.0 * max(one.sheet.bias for one in ours),
               "days in 95 % interval, %": by_sheet[2], "half width %": by_sheet[3],
               "water per energy, bias %": 100.0 * float(np.mean(energy)) if energy else float("nan")}
        own = [one.own for one in ours if one.own is not None]
        rows.append(row | (dict(zip(OWN, _summed(own), strict=True)) if own else {}))
    return pd.DataFrame(rows)


def _summed(held: Sequence[Held]) -> tuple[float, float, float, float]:
    """Return nRMSE over plants, mean bias, share of days inside, mean half width, all in percent."""
    return (100.0 * float(np.sqrt(np.mean([one.nrmse**2 for one in held]))),
            100.0 * float(np.mean([one.bias for one in held])),
            100.0 * float(np.average([one.covered for one in held], weights=[len(one.days) for one in held])),
            100.0 * float(np.mean([one.half_width for one in held])))


def prove_expectation(plants: int, days: int, seed: int, families: Sequence[str] = tuple(FAMILY_SHARES),
                      start_day: date = START_DAY, learn_days: int = 0) -> list[PlantDays]:
    """
    Draw sound plants of each family, run them and reckon what their sheets promise.

    Parameters
    ----------
    plants : int
        Of each family.
    days : int
        [days]
    seed : int
    families : sequence of str
    start_day : date
    learn_days : int
        Taught first and not counted; 0 counts all days by the sheet alone. [days]

    Returns
    -------
    found : list of PlantDays
    """
    rng = np.random.default_rng(seed)
    drawn = draw_plants(rng, plants, families)
    ran = simulate_many([one.truth for one in drawn], start_day=start_day, days=days, rng=rng, inner_step_s=300.0)
    found = [days_of(one, plant, learn_days) for one, plant in zip(drawn, ran, strict=True)]
    return [one for one in found if one is not None]


def as_markdown(table: pd.DataFrame) -> str:
    """Return a table as Markdown, one decimal."""
    return markdown_table(list(table.columns), [[_cell(cell) for cell in row] for row in table.itertuples(index=False)])


def _cell(cell: object) -> str:
    if isinstance(cell, float):
        return "" if np.isnan(cell) else f"{cell:.1f}"
    return str(cell)


def _told(held: Held) -> str:
    return (f"bias {held.bias:+.1%}, nRMSE {held.nrmse:.1%}, covered {held.covered:.0%} within "
            f"+-{held.half_width:.1%}")


def main(argv: Sequence[str] | None = None) -> int:
    """
    Run from the command line.

    Parameters
    ----------
    argv : sequence of str, optional
        Arguments; those of the process where not given.

    Returns
    -------
    code : int
        0 always: figures are reported, not judged.
    """
    parser = argparse.ArgumentParser(prog="python -m pipelines.prove_expectation", description=__doc__,
                                     formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--plants", type=int, default=8, help="of each family")
    parser.add_argument("--days", type=int, default=90)
    parser.add_argument("--learn", type=int, default=30, help="days that teach and are not counted; 0 for none")
    parser.add_argument("--seed", type=int, default=3)
    parser.add_argument("--start", type=date.fromisoformat, default=START_DAY, help="first day, for another season")
    parser.add_argument("--families", nargs="*", default=list(FAMILY_SHARES), choices=list(FAMILY_SHARES))
    parser.add_argument("--markdown", action="store_true", help="tables as Markdown")
    parser.add_argument("--each", action="store_true", help="one line a plant too")
    chosen = parser.parse_args(argv)
    console = Console()
    found = prove_expectation(chosen.plants, chosen.days, chosen.seed, chosen.families,
                              chosen.start, chosen.learn)
    if chosen.each:
        for one in found:
            console.print(f"{one.family} {one.drive} {one.region} {one.light}: {_told(one.sheet)}, water per energy "
                          f"{one.per_energy_bias:+.1%}{'; own ' + _told(one.own) if one.own else ''}", highlight=False)
    for group in ("family", "drive", "light"):
        table = table_of(found, group)
        if chosen.markdown:
            print(as_markdown(table) + "\n")
            continue
        shown = Table(*table.columns, title=f"Expected against delivered, by {group}")
        for row in table.itertuples(index=False):
            shown.add_row(*(_cell(cell) for cell in row))
        console.print(shown)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
