"""The verb that lists what a finding can name."""

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from pipelines.cli.options import AsJson, example

if TYPE_CHECKING:
    from pipelines.cause_list import CauseEntry

Codes = Annotated[list[str] | None, typer.Argument(metavar="CODE", help="Codes of causes, as findings name them; all "
                                                   "if none is given.", show_default=False)]


def causes(code: Codes = None, as_json: AsJson = False) -> None:
    """List what a finding can name: code, link, unit of its size, field test, look-alikes, whose it is."""
    from pipelines.cause_list import cause_list
    from pipelines.stages.asking import to_json

    entries = cause_list(code or ())
    if as_json:
        sys.stdout.write(to_json(entries) + "\n")
    else:
        _print(entries)


def _print(entries: "list[CauseEntry]") -> None:
    from rich.markup import escape

    from pipelines.cli.tables import screen, table

    shown = table("What a finding can name", "Code", "Meaning", "Link", "Size", "Field test", "Looks like", "Whose")
    for one in entries:
        size = one.size_means if one.size_unit == "1" else f"{one.size_unit}: {one.size_means}"
        shown.add_row(one.code, escape(one.label), one.link, escape(size), escape(one.field_test),
                      "\n".join(one.look_alikes), one.owner_of_cause)
    screen().print(shown)


def add_to(app: typer.Typer) -> None:
    """Register the verb."""
    app.command(rich_help_panel="Ask", epilog=example("liftledger causes soiled_array string_open",
                                                      "liftledger causes --json"))(causes)
