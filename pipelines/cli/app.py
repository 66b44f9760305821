"""The `liftledger` command: its verbs in the order of a day's work, and what a failure looks like."""

import sys
from collections.abc import Sequence

import typer

from pipelines.cli import answers, by_time, causes, claims, jobs, keeping, provable

app = typer.Typer(name="liftledger", add_completion=False, no_args_is_help=True, pretty_exceptions_enable=False,
                  rich_markup_mode="rich", context_settings={"help_option_names": ["-h", "--help"]},
                  help="Says what each solar water pump should have delivered, where the missing water went, and what "
                       "to do.")
jobs.add_to(app)
answers.add_to(app)
by_time.add_to(app)
claims.add_to(app)
provable.add_to(app)
causes.add_to(app)
keeping.add_to(app)

EXIT_FAILED = 1
EXIT_REFUSED = 2


def main(argv: Sequence[str] | None = None) -> None:
    """
    Run one verb and leave with 0 where it was done, 1 where it failed and 2 where what was given cannot be used.

    Our own errors say what, where and how to mend it, so they are printed in full and without a traceback.
    """
    from pipelines.errors import LedgerError, ProjectError

    try:
        app(args=list(argv) if argv is not None else None, prog_name="liftledger")
    except ProjectError as error:
        _say(f"Error: {error}")
        sys.exit(EXIT_FAILED if isinstance(error, LedgerError) else EXIT_REFUSED)
    except (PermissionError, FileNotFoundError, IsADirectoryError, NotADirectoryError) as error:
        _say(f"{error.strerror}: {error.filename}\nCheck that the path is right and that you may read and write there.")
        sys.exit(EXIT_REFUSED)
    except OSError as error:
        _say(f"The system refused: {error.strerror or error}"
             f"{f' ({error.filename})' if error.filename else ''}.\n"
             "Check free space and that the disk is there, then run the same command again: what was done is kept.")
        sys.exit(EXIT_FAILED)


def _say(text: str) -> None:
    print(text, file=sys.stderr)
