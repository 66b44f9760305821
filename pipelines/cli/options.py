"""The arguments that several verbs share, said once."""

from pathlib import Path
from typing import Annotated

import typer

Fleet = Annotated[Path, typer.Argument(metavar="FLEET", help="Folder that holds fleet.toml.", show_default=False)]
FleetHere = Annotated[Path, typer.Option("--fleet", metavar="FOLDER", help="Folder that holds fleet.toml.")]
SiteId = Annotated[str, typer.Argument(metavar="SITE", help="Id of the site, as in sites/SITE.toml.",
                                       show_default=False)]
Out = Annotated[Path | None, typer.Option(
    "--out", metavar="FOLDER", help="Folder for results; liftledger-out beside the fleet folder if not given.",
    show_default=False)]
AsOf = Annotated[str | None, typer.Option(
    "--as-of", metavar="TIME", help="Judge the fleet as it stood then (2026-03-31, or a time with zone); the newest "
    "reading if not given.", show_default=False)]
Month = Annotated[str | None, typer.Option(
    "--month", metavar="YYYY-MM", help="The last month that is over if not given.", show_default=False)]
OnlySite = Annotated[list[str] | None, typer.Option(
    "--site", metavar="SITE", help="Only this site; may be given more than once.", show_default=False)]
Workers = Annotated[int, typer.Option("--workers", min=1, max=64, help="Sites worked out at the same time.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON for other programs instead of a table.")]

HERE = Path()


def example(*lines: str) -> str:
    """Return the example that ends a verb's help; a line each, shown as written."""
    return "Example: " + "\n\n".join(f"[bold]{line}[/bold]" for line in lines)
