"""Verbs that look after the ledger: backup, restore, verify."""

from pathlib import Path
from typing import Annotated

import typer

from pipelines.cli.options import HERE, Fleet, FleetHere, Out, example

To = Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder that gets the backup; an older backup in it is "
                                    "brought up to date.", show_default=False)]
From = Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder that holds a backup.", show_default=False)]


def backup(to: To, fleet: FleetHere = HERE, out: Out = None) -> None:
    """Copy the ledger and its archive of raw files to another folder."""
    from pipelines.ledger.keeping import backup as copy_ledger
    from pipelines.stages.loading import open_ledger
    from pipelines.stages.outfolder import OutFolder

    with open_ledger(OutFolder.of(fleet, out)) as ledger:
        copied = copy_ledger(ledger, to)
    typer.echo(f"{copied} raw file(s) new in {to}; the ledger there is the one of now.")


def restore(backup_folder: From, fleet: FleetHere = HERE, out: Out = None) -> None:
    """Bring a backup back; the ledger that stands there is moved aside, never overwritten."""
    from pipelines.ledger.keeping import restore as bring_back
    from pipelines.stages.outfolder import OutFolder

    out_folder = OutFolder.of(fleet, out)
    out_folder.claim(fleet)
    bring_back(backup_folder, out_folder.ledger_folder)
    typer.echo(f"Restored to {out_folder.ledger_folder}. Run `liftledger run` to bring in what came since.")


def verify(fleet: Fleet = HERE, out: Out = None) -> None:
    """Check every raw file against its digest, rebuild the readings from the archive and compare."""
    from pipelines.ledger.keeping import verify as check_ledger
    from pipelines.stages.loading import load, open_ledger
    from pipelines.stages.outfolder import OutFolder

    with open_ledger(OutFolder.of(fleet, out)) as ledger:
        found = check_ledger(ledger, load(fleet))
    for message in found.messages:
        typer.echo(message)
    typer.echo(f"{found.files} raw file(s): " + ("all as they were received, and the readings are what they give."
                                                if found.is_sound else "NOT sound, see above."))
    if not found.is_sound:
        raise typer.Exit(1)


def add_to(app: typer.Typer) -> None:
    """Register the verbs."""
    panel = "Look after the ledger"
    app.command(rich_help_panel=panel, epilog=example(
        "liftledger backup ledger-backup --fleet sample-logs/fleet --out demo-out"))(backup)
    app.command(rich_help_panel=panel, epilog=example(
        "liftledger restore ledger-backup --fleet sample-logs/fleet --out demo-out"))(restore)
    app.command(rich_help_panel=panel, epilog=example("liftledger verify sample-logs/fleet --out demo-out"))(verify)
