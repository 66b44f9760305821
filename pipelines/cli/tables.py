"""What the verbs print: tables for people on the screen."""

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from rich.console import Console
from rich.markup import escape
from rich.table import Table

if TYPE_CHECKING:
    from pipelines.fleet import Fleet, Problem
    from pipelines.stages.diagnosing import SiteFailure
    from pipelines.stages.outfolder import OutFolder


def screen(*, errors: bool = False) -> Console:
    """Return the console; where output goes to a file or a pipe, lines are not cut at 80 characters."""
    console = Console(stderr=errors, highlight=False)
    if not console.is_terminal:
        console.width = 160
    return console


def print_problems(problems: "Sequence[Problem]", n_sites: int, folder: Path) -> int:
    """List what is wrong with a fleet folder and return the number of errors among it."""
    console = screen()
    errors = [problem for problem in problems if problem.severity == "error"]
    for problem in sorted(problems, key=lambda one: (one.severity != "error", one.file)):
        console.print(f"[bold]{problem.severity}[/bold]  {escape(str(problem))}", soft_wrap=True)
    console.print(f"{folder}: {n_sites} site(s) can be used; {len(errors)} error(s), "
                  f"{len(problems) - len(errors)} warning(s).", soft_wrap=True)
    return len(errors)


def print_skipped(fleet: "Fleet", folder: Path) -> None:
    """Say on the error stream that some sites are left out, never in silence."""
    errors = [problem for problem in fleet.problems if problem.severity == "error"]
    if errors:
        screen(errors=True).print(
            f"{len(errors)} error(s) in the fleet folder; what they touch is left out. The first: "
            f"{escape(str(errors[0]))} `liftledger check {folder}` lists them all.", soft_wrap=True)


def print_failures(failures: "Iterable[SiteFailure]") -> None:
    """Name the sites that could not be worked out."""
    for failure in failures:
        screen(errors=True).print(f"{failure.site_id}: could not be worked out: {escape(failure.says)}", soft_wrap=True)


def print_where(out: "OutFolder") -> None:
    """Print the last line of a whole job: where to look."""
    console = screen()
    console.print(f"Letters: {out.outbox}", soft_wrap=True)
    console.print(f"Fleet page: {out.fleet_page}", soft_wrap=True)


def table(title: str, *columns: str, right: Iterable[str] = ()) -> Table:
    """Return an empty table of one look."""
    made = Table(title=title, title_justify="left", title_style="bold", box=None, pad_edge=False, header_style="bold")
    for name in columns:
        made.add_column(name, justify="right" if name in right else "left", overflow="fold")
    return made
