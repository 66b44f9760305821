"""What `findings --context` prints: events of several sites, neighbours beside findings, suns, rates."""

from typing import TYPE_CHECKING

from rich.markup import escape

from pipelines.cli.tables import screen, table

if TYPE_CHECKING:
    from diagnostics.fleet_context import FleetContext
    from pipelines.fleet import Fleet


def print_context(fleet: "Fleet", context: "FleetContext") -> None:
    """Print what the sites of a fleet say of each other."""
    from dashboards.beside import beside_says, event_rows, rate_rows
    from pipelines.stages.viewing import desk_units

    console = screen()
    names = {site_id: site.name for site_id, site in fleet.sites.items()}
    if context.events:
        shown = table("Events of several sites", "Event", "Where", "Sites", "Began", "Size", "Lost", "One event")
        for row in event_rows(context, names, desk_units(fleet)):
            shown.add_row(row.title, escape(row.where), ", ".join(one for one, _ in row.sites), row.began, row.size,
                          row.lost, f"{row.sure:.2f}")
        console.print(shown)
    else:
        console.print("No event of several sites.")
    beside = [(one, *said) for one in fleet.sites for said in beside_says(context, one)]
    if beside:
        shown = table("Findings beside their neighbours", "Site", "Finding", "Speaks", "What the neighbours show")
        for row in beside:
            shown.add_row(*(escape(part) for part in row))
        console.print(shown)
    leaving = [check for check in context.sun if check.outcome.startswith("reads")]
    for check in leaving:
        console.print(f"{check.site_id}: {escape(check.says)}", soft_wrap=True)
    if not leaving and context.sun:
        console.print(f"{len(context.sun)} sun sensor(s) compared with their neighbours; none leaves them.")
    for pair in context.exchanged:
        console.print(f"{pair.sites[0]} and {pair.sites[1]}: {escape(pair.says)} {escape(pair.check)}", soft_wrap=True)
    shown = table("Findings by equipment and installer, with the exact 95 % interval", "Counted by", "Name", "Found",
                  "A pump-year", "95 %", "What it bears out", right=("A pump-year",))
    for one in rate_rows(context.rates, at_least=1):
        shown.add_row(one.part, escape(one.name), one.counted, one.rate, one.interval, one.says)
    console.print(shown)
