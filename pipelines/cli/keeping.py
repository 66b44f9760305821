"""Verbs that look after the ledger: backup, restore, correct, verify."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipelines.cli.options import HERE, Fleet, FleetHere, Out, SiteId, example

if TYPE_CHECKING:
    from pipelines.stages.outfolder import OutFolder

To = Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder that gets the backup; an older backup in it is "
                                    "brought up to date.", show_default=False)]
From = Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder that holds a backup.", show_default=False)]


def _must_hold_a_ledger(out_folder: "OutFolder", what: str) -> None:
    from pipelines.errors import LedgerError
    from pipelines.ledger.store import FILE_NAME

    if not (out_folder.ledger_folder / FILE_NAME).is_file():
        raise LedgerError(f"there is no ledger here yet, so there is nothing to {what}.", file=out_folder.ledger_folder,
                          mend="Run `liftledger run` first, or name the output folder with --out.")


def backup(to: To, fleet: FleetHere = HERE, out: Out = None) -> None:
    """Copy the ledger and its archive of raw files to another folder."""
    from pipelines.ledger.keeping import backup as copy_ledger
    from pipelines.stages.loading import open_ledger
    from pipelines.stages.outfolder import OutFolder

    out_folder = OutFolder.of(fleet, out)
    _must_hold_a_ledger(out_folder, "back up")
    with open_ledger(out_folder) as ledger:
        copied = copy_ledger(ledger, to)
    typer.echo(f"{copied} raw file(s) new in {to}; the ledger there is the one of now.")


def restore(backup_folder: From, fleet: FleetHere = HERE, out: Out = None) -> None:
    """Bring a backup back; the ledger that stands there is moved aside, never overwritten."""
    from pipelines.ledger.keeping import restore as bring_back
    from pipelines.stages.outfolder import OutFolder

    out_folder = OutFolder.of(fleet, out)
    bring_back(backup_folder, out_folder.ledger_folder, before_writing=lambda: out_folder.claim(fleet))
    typer.echo(f"Restored to {out_folder.ledger_folder}. Run `liftledger run` to bring in what came since.")


def verify(fleet: Fleet = HERE, out: Out = None) -> None:
    """Check every raw file against its digest, rebuild the readings from the archive and compare."""
    from pipelines.ledger.keeping import verify as check_ledger
    from pipelines.stages.loading import load, open_ledger
    from pipelines.stages.outfolder import OutFolder

    known, out_folder = load(fleet), OutFolder.of(fleet, out)
    _must_hold_a_ledger(out_folder, "verify")
    with open_ledger(out_folder, read_only=True) as ledger:
        found = check_ledger(ledger, known)
    for message in found.messages:
        typer.echo(message)
    typer.echo(f"{found.files} raw file(s): " + ("all as they were received, and the readings are what they give."
                                                if found.is_sound else "NOT sound, see above."))
    if not found.is_sound:
        raise typer.Exit(1)


def correct(site: SiteId,
            kind: Annotated[str, typer.Option("--kind", metavar="KIND", show_default=False,
                                              help="shift_clock, scale, offset, mask or swap.")],
            author: Annotated[str, typer.Option("--author", metavar="NAME", help="Who answers for it.",
                                                show_default=False)],
            reason: Annotated[str, typer.Option("--reason", metavar="TEXT", help="Why, in words a claim can quote.",
                                                show_default=False)],
            value: Annotated[float | None, typer.Option("--value", help="Seconds to add to stamps, factor, or what to "
                                                        "add in the channel's own unit.", show_default=False)] = None,
            channel: Annotated[str | None, typer.Option("--channel", help="Which channel; not for shift_clock.",
                                                        show_default=False)] = None,
            other: Annotated[str | None, typer.Option("--other-channel", help="The one to swap with.",
                                                      show_default=False)] = None,
            begin: Annotated[str | None, typer.Option("--from", metavar="TIME", help="Stamps after this, with offset: "
                                                      "2026-03-01T00:00:00Z; the beginning if not given.",
                                                      show_default=False)] = None,
            end: Annotated[str | None, typer.Option("--until", metavar="TIME", help="Stamps up to this, with offset; "
                                                    "the end if not given.", show_default=False)] = None,
            logger: Annotated[str | None, typer.Option("--logger", help="Only this logger (profile) of the site.",
                                                       show_default=False)] = None,
            on: Annotated[str | None, typer.Option("--on", metavar="DATE", help="Date of the entry; today if not "
                                                   "given.", show_default=False)] = None,
            fleet: FleetHere = HERE) -> None:
    """Write a correction into the fleet's corrections.csv; raw files and readings stay as they are."""
    from datetime import date

    from pydantic import ValidationError

    from pipelines.errors import RequestError
    from pipelines.ledger.corrections import Correction, add_correction
    from pipelines.stages.loading import load

    loaded = load(fleet)
    if site not in loaded.sites:
        raise RequestError(f"there is no site '{site}' in the fleet.",
                           mend=f"It has {', '.join(sorted(loaded.sites))}.")
    row = {"site_id": site, "logger": logger, "channel": channel, "from_utc": begin, "until_utc": end, "kind": kind,
           "value": value, "other_channel": other, "author": author, "reason": reason,
           "entered_on": on or date.today().isoformat()}  # noqa: DTZ011 - the day on the author's own calendar
    try:
        made = Correction.from_row(row)
    except ValidationError as error:
        says = "; ".join(f"{'.'.join(map(str, item['loc']))}: {item['msg'].removeprefix('Value error, ')}".lstrip(": ")
                         for item in error.errors())
        raise RequestError(says, mend="See `liftledger correct --help`.") from error
    path = Path(loaded.folder) / "corrections.csv"
    add_correction(path, made)
    typer.echo(f"Written to {path}. `liftledger run` works {site} out anew; take the row out to undo it.")


def add_to(app: typer.Typer) -> None:
    """Register the verbs."""
    panel = "Look after the ledger"
    app.command(rich_help_panel=panel, epilog=example(
        "liftledger backup ledger-backup --fleet sample-logs/fleet --out demo-out"))(backup)
    app.command(rich_help_panel=panel, epilog=example(
        "liftledger restore ledger-backup --fleet sample-logs/fleet --out demo-out"))(restore)
    app.command(rich_help_panel=panel, epilog=example(
        "liftledger correct draw-camp --kind shift_clock --value -3600 --until 2026-05-31T00:00:00Z "
        "--author 'field crew' --reason 'clock stood one hour fast' --fleet sample-logs/fleet"))(correct)
    app.command(rich_help_panel=panel, epilog=example("liftledger verify sample-logs/fleet --out demo-out"))(verify)
