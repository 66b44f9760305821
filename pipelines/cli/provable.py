"""The verb that says what a site's own sensors could ever prove."""

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from pipelines.cli.options import HERE, AsJson, FleetHere, Out, SiteId, example

if TYPE_CHECKING:
    from dashboards.shown import DeskUnits
    from diagnostics.detectability import Detectability

_STEPS = 20


def prove(site: SiteId, fleet: FleetHere = HERE,
          sensors: Annotated[bool, typer.Option("--sensors/--no-sensors", help="Also weigh what one more sensor would "
                                                "add; takes most of the time.")] = True,
          as_json: AsJson = False, out: Out = None) -> None:
    """Say what a site could prove: the smallest faults in 7, 30 and 90 days, and the sensor that would help most."""
    from pipelines.cli.progress import steps
    from pipelines.stages.asking import to_json
    from pipelines.stages.loading import load
    from pipelines.stages.outfolder import OutFolder
    from pipelines.stages.proving import provable_of
    from pipelines.stages.viewing import desk_units

    loaded = load(fleet)
    with steps() as shown:
        answer = provable_of(loaded, OutFolder.of(fleet, out), site, sensors=sensors,
                             progress=shown.step(f"Weighing faults of {site}", _STEPS if sensors else None))
    if as_json:
        sys.stdout.write(to_json(answer) + "\n")
    else:
        _print(answer, loaded.sites[site].name, desk_units(loaded))


def _print(answer: "Detectability", name: str, units: "DeskUnits") -> None:
    from rich.markup import escape

    from dashboards.provable import TOGETHER, best_sensor_says, provable_rows, rests_on, sensor_rows, spans_of
    from pipelines.cli.tables import screen, table

    console = screen()
    spans = [f"{days} days" for days in spans_of(answer)]
    shown = table(f"Smallest faults that the sensors of {escape(name)} could prove", "Fault", *spans,
                  f"{TOGETHER} as this or", "Looks most like", "Size is")
    for row in provable_rows(answer, units):
        shown.add_row(row.cause, *row.by_span, row.together_with, row.looks_like, row.size_is)
    console.print(shown)
    console.print("Costs: share of the water.")
    if answer.sensors:
        added = table("One sensor more, after 30 days", "Sensor", "Smallest loss named now", "With it", "Newly named",
                      right=("Smallest loss named now", "With it"))
        for one in sensor_rows(answer):
            added.add_row(one.label, one.before, one.after, one.newly_named)
        console.print(added)
        console.print(best_sensor_says(answer), soft_wrap=True)
    for note in [*answer.notes, rests_on(answer)]:
        console.print(escape(note), soft_wrap=True)


def add_to(app: typer.Typer) -> None:
    """Register the verb."""
    app.command(rich_help_panel="Ask", epilog=example(
        "liftledger prove tule-house --fleet sample-logs/fleet --out demo-out"))(prove)
