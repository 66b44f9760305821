"""The verb that lists expected beside delivered, day by day."""

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from pipelines.cli.options import HERE, AsJson, FleetHere, Out, SiteId, example

if TYPE_CHECKING:
    import pandas as pd

    from dashboards.shown import DeskUnits

_SHOWN = 31


def daily(site: SiteId,
          first: Annotated[str | None, typer.Option("--from", metavar="DAY", help="First day, 2026-03-01.",
                                                    show_default=False)] = None,
          last: Annotated[str | None, typer.Option("--to", metavar="DAY", help="Last day, 2026-05-31.",
                                                   show_default=False)] = None,
          readings: Annotated[bool, typer.Option("--readings", help="A row a reading instead of a row a day; needs "
                                                 "--csv or --json.")] = False,
          as_csv: Annotated[bool, typer.Option("--csv", help="Print CSV with units in the column names.")] = False,
          fleet: FleetHere = HERE, as_json: AsJson = False, out: Out = None) -> None:
    """List what a site should have delivered and what it did, day by day."""
    from pipelines.errors import RequestError
    from pipelines.stages.by_time import by_time_of
    from pipelines.stages.loading import load
    from pipelines.stages.outfolder import OutFolder
    from pipelines.stages.viewing import desk_units

    if readings and not (as_csv or as_json):
        raise RequestError("--readings gives more rows than a screen holds. Add --csv or --json.")
    if as_csv and as_json:
        raise RequestError("--csv and --json exclude each other. Choose one.")
    loaded = load(fleet)
    rows = by_time_of(loaded, OutFolder.of(fleet, out), site, first, last, readings=readings)
    if as_csv:
        rows.to_csv(sys.stdout)
    elif as_json:
        rows = rows.reset_index()
        rows[rows.columns[0]] = rows[rows.columns[0]].astype(str)
        sys.stdout.write(rows.to_json(orient="records", indent=2) + "\n")
    else:
        _print(rows, loaded.sites[site].name, desk_units(loaded))


def _print(rows: "pd.DataFrame", name: str, units: "DeskUnits") -> None:
    from rich.markup import escape

    from dashboards.shown import day_words, volume
    from dashboards.wording import desk
    from pipelines.cli.tables import screen, table

    states = desk()["state"]
    shown = table(f"Expected and delivered water of {escape(name)}", "Day", "Expected", "95 % interval", "Delivered",
                  "Tank full", "Sun, kWh/m2", "State", right=("Expected", "95 % interval", "Delivered", "Tank full",
                                                             "Sun, kWh/m2"))
    for day, row in rows.tail(_SHOWN).iterrows():
        judged = bool(row["judged"])
        cells = (volume(row["expected_m3"], units.volume), f"{volume(row['expected_low_m3'], units.volume)} to "
                 f"{volume(row['expected_high_m3'], units.volume)}", volume(row["delivered_m3"], units.volume),
                 volume(row["tank_full_m3"], units.volume)) if judged else ("", "", "", "")
        state = str(row["main_state"])
        says = states.get(state, state.replace("_", " ")) if judged else f"not judged: {row['reason']}"
        sun = float(row["irradiation_kwh_m2"])
        shown.add_row(day_words(day), *cells, f"{sun:.1f}" if sun == sun else "", escape(says))
    console = screen()
    console.print(shown)
    if len(rows) > _SHOWN:
        console.print(f"The last {_SHOWN} of {len(rows)} days. All of them: add --csv or --json.")


def add_to(app: typer.Typer) -> None:
    """Register the verb."""
    app.command(rich_help_panel="Ask", epilog=example(
        "liftledger daily draw-camp --from 2026-06-01 --to 2026-06-30 --fleet sample-logs/fleet --out demo-out",
        "liftledger daily draw-camp --csv --fleet sample-logs/fleet --out demo-out > draw-camp.csv"))(daily)
