"""Verbs that do the job: demo, check, start, run, ingest, diagnose, publish, letters."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipelines.cli.options import HERE, AsOf, Fleet, Month, OnlySite, Out, Workers, example

if TYPE_CHECKING:
    from datetime import datetime

    from pipelines.cli.progress import Steps
    from pipelines.fleet import Fleet as LoadedFleet
    from pipelines.ledger import Ledger
    from pipelines.stages.outfolder import OutFolder
    from pipelines.stages.publishing import LettersReport

WORKERS = 2


def demo(out: Annotated[Path, typer.Option("--out", metavar="FOLDER", help="Folder for results.")] = Path("demo-out"),
         workers: Workers = WORKERS) -> None:
    """Run the whole job on the demo fleet and list what was found."""
    from pipelines.cli.tables import print_findings, print_where
    from pipelines.stages.demo import demo_fleet_folder

    folder = demo_fleet_folder()
    fleet, out_folder, failed = _whole_job(folder, out, None, None, workers)
    print_findings(fleet, out_folder, only_open=True)
    print_where(out_folder)
    _leave(failed)


def check(fleet: Fleet = HERE) -> None:
    """Report everything that is wrong with a fleet folder, in one go."""
    from pipelines.cli.tables import print_problems
    from pipelines.stages.loading import check as check_folder

    problems, n_sites = check_folder(fleet)
    _leave(print_problems(problems, n_sites, fleet), code=2)


def start(folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder to make; it must be new or empty.",
                                                 show_default=False)]) -> None:
    """Write a small fleet folder to begin with: one site, its equipment and a logger profile."""
    from pipelines.fleet import write_starter_fleet

    write_starter_fleet(folder)
    typer.echo(f"Wrote a fleet folder to {folder}. Put logger files into {folder / 'logs'}, edit the .toml files, then "
               f"`liftledger check {folder}` and `liftledger run {folder}`.")


def run(fleet: Fleet = HERE, out: Out = None, as_of: AsOf = None, month: Month = None,
        workers: Workers = WORKERS) -> None:
    """Do the whole job: check, read new files, diagnose, write pages and the owners' letters."""
    from pipelines.cli.tables import print_findings, print_where

    loaded, out_folder, failed = _whole_job(fleet, out, as_of, month, workers)
    print_findings(loaded, out_folder, only_open=True)
    print_where(out_folder)
    _leave(failed)


def ingest(fleet: Fleet = HERE, out: Out = None) -> None:
    """Read new logger files into the ledger; a file seen before costs a glance."""
    from pipelines.cli.progress import steps

    with steps() as shown:
        loaded, out_folder = _open(fleet, out)
        _ingest(loaded, out_folder, shown)


def diagnose(fleet: Fleet = HERE, site: OnlySite = None, out: Out = None, as_of: AsOf = None,
             workers: Workers = WORKERS,
             again: Annotated[bool, typer.Option("--again", help="Work out sites too of which nothing has changed "
                                                 "since their last result.")] = False) -> None:
    """Compare delivered with expected water on every site and weigh the causes."""
    from pipelines.cli.progress import steps
    from pipelines.cli.tables import print_failures
    from pipelines.stages.loading import open_ledger

    with steps() as shown:
        loaded, out_folder = _open(fleet, out)
        with open_ledger(out_folder) as ledger:
            report = _diagnose(loaded, ledger, shown, as_of, site, workers, again)
    unchanged = f", {len(report.unchanged)} unchanged" if report.unchanged else ""
    typer.echo(f"{len(report.done)} site(s) worked out{unchanged}, in {report.seconds:.1f} s.")
    print_failures(report.failed)
    _leave(len(report.failed))


def publish(fleet: Fleet = HERE, out: Out = None, as_of: AsOf = None) -> None:
    """Write the fleet page and one page a site from what the ledger holds."""
    from pipelines.cli.progress import steps
    from pipelines.stages.loading import open_ledger

    with steps() as shown:
        loaded, out_folder = _open(fleet, out)
        with open_ledger(out_folder, read_only=True) as ledger:
            _publish(loaded, ledger, out_folder, shown, _moment(as_of, loaded, ledger))
    typer.echo(f"Fleet page: {out_folder.fleet_page}")


def letters(fleet: Fleet = HERE, month: Month = None, out: Out = None, as_of: AsOf = None) -> None:
    """Write the owners' letters of a month into the outbox, as .eml files."""
    from pipelines.cli.progress import steps
    from pipelines.cli.tables import print_letters
    from pipelines.stages.loading import open_ledger

    with steps() as shown:
        loaded, out_folder = _open(fleet, out)
        with open_ledger(out_folder, read_only=True) as ledger:
            report = _letters(loaded, ledger, out_folder, shown, _moment(as_of, loaded, ledger), month)
    print_letters(report, out_folder)
    _leave(len(report.failed))


def _open(folder: Path, out: Path | None) -> "tuple[LoadedFleet, OutFolder]":
    from pipelines.cli.tables import print_skipped
    from pipelines.stages.loading import load
    from pipelines.stages.outfolder import OutFolder

    fleet = load(folder)
    out_folder = OutFolder.of(folder, out)
    out_folder.claim(folder)
    print_skipped(fleet, folder)
    return fleet, out_folder


def _whole_job(folder: Path, out: Path | None, as_of: str | None, month: str | None,
               workers: int) -> "tuple[LoadedFleet, OutFolder, int]":
    from pipelines.cli.progress import steps
    from pipelines.cli.tables import print_failures, print_letters
    from pipelines.stages.loading import open_ledger
    from pipelines.stages.moments import check_written
    from pipelines.stages.publishing import publish_and_write_letters

    with steps() as shown:
        fleet, out_folder = _open(folder, out)
        check_written(fleet, as_of, month)
        _ingest(fleet, out_folder, shown)
        with open_ledger(out_folder) as ledger:
            moment = _moment(as_of, fleet, ledger)
            round_report = _diagnose(fleet, ledger, shown, as_of, None, workers)
        letters_report = publish_and_write_letters(
            fleet, out_folder, as_of=moment, month=month, workers=workers,
            on_page=shown.step("Writing pages", len(fleet.sites)),
            on_letter=shown.step("Writing letters", len(fleet.sites)))
    print_failures(round_report.failed)
    print_letters(letters_report, out_folder)
    return fleet, out_folder, len(round_report.failed) + len(letters_report.failed)


def _moment(as_of: str | None, fleet: "LoadedFleet", ledger: "Ledger") -> "datetime":
    from pipelines.stages.moments import judged_at

    return judged_at(as_of, fleet, ledger)


def _ingest(fleet: "LoadedFleet", out_folder: "OutFolder", shown: "Steps") -> None:
    from pipelines.cli.tables import print_ingest
    from pipelines.stages.loading import ingest as ingest_stage
    from pipelines.stages.loading import open_ledger

    with open_ledger(out_folder) as ledger:
        report = ingest_stage(fleet, ledger, progress=shown.counter("Reading logger files"))
    print_ingest(report, shown.console)


def _diagnose(fleet: "LoadedFleet", ledger: "Ledger", shown: "Steps", as_of: str | None,
              sites: list[str] | None, workers: int, again: bool = False):
    from pipelines.stages.diagnosing import diagnose as diagnose_stage
    from pipelines.stages.loading import chosen_sites

    wanted = chosen_sites(fleet, sites)
    moment = _moment(as_of, fleet, ledger)
    return diagnose_stage(fleet, ledger, site_ids=wanted, as_of=moment, workers=workers, again=again,
                          progress=shown.step("Working out sites", len(wanted)))


def _publish(fleet: "LoadedFleet", ledger: "Ledger", out_folder: "OutFolder", shown: "Steps",
             moment: "datetime") -> None:
    from pipelines.stages.publishing import publish as publish_stage

    publish_stage(fleet, ledger, out_folder, as_of=moment, progress=shown.step("Writing pages", len(fleet.sites)))


def _letters(fleet: "LoadedFleet", ledger: "Ledger", out_folder: "OutFolder", shown: "Steps", moment: "datetime",
             month: str | None) -> "LettersReport":
    from pipelines.stages.publishing import letters as letters_stage

    return letters_stage(fleet, ledger, out_folder, as_of=moment, month=month,
                         progress=shown.step("Writing letters", len(fleet.sites)))


def _leave(n_bad: int, code: int = 1) -> None:
    if n_bad:
        raise typer.Exit(code)


def add_to(app: typer.Typer) -> None:
    """Register the verbs in the order in which they are met."""
    panel = "Do the job"
    app.command(rich_help_panel=panel, epilog=example("liftledger demo", "liftledger demo --out demo-out"))(demo)
    app.command(rich_help_panel=panel, epilog=example("liftledger check sample-logs/fleet"))(check)
    app.command(rich_help_panel=panel, epilog=example("liftledger start my-fleet"))(start)
    app.command(rich_help_panel=panel, epilog=example("liftledger run sample-logs/fleet --out demo-out"))(run)
    app.command(rich_help_panel=panel, epilog=example("liftledger ingest sample-logs/fleet --out demo-out"))(ingest)
    app.command(rich_help_panel=panel, epilog=example(
        "liftledger diagnose sample-logs/fleet --out demo-out --workers 2"))(diagnose)
    app.command(rich_help_panel=panel, epilog=example("liftledger publish sample-logs/fleet --out demo-out"))(publish)
    app.command(rich_help_panel=panel, epilog=example("liftledger letters sample-logs/fleet --out demo-out"))(letters)
