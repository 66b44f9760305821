"""Fleet folder in, readings into the ledger."""

from collections.abc import Callable
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from pipelines.errors import RequestError
from pipelines.stages.outfolder import OutFolder

_MUCH = 0.05                            # share of a site's new rows in quarantine from which people are warned

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pipelines.fleet import Fleet, Problem
    from pipelines.ledger import Ledger


def load(folder: Path) -> "Fleet":
    """
    Read a fleet folder; problems of single sites are kept in `Fleet.problems`, the sound sites are loaded.

    Raises
    ------
    RequestError
        If there is no fleet there, or not one usable site in it.
    """
    from pipelines.fleet import load_fleet

    _must_be_a_fleet_folder(folder)
    fleet = load_fleet(folder)
    if not fleet.sites:
        faults = "\n".join(f"  {one_line(problem)}" for problem in errors_of(fleet)[:10])
        raise RequestError(f"{folder} has no site that can be used.\n{faults or '  sites/ holds no .toml file.'}\n"
                         f"`liftledger check {folder}` lists all that is wrong.")
    return fleet


def _must_be_a_fleet_folder(folder: Path) -> None:
    if not folder.is_dir():
        raise RequestError(f"{folder} is not a folder. Name the folder that holds fleet.toml, or make a new one with "
                         f"`liftledger start {folder}`.")
    if not (folder / "fleet.toml").is_file():
        inner = sorted(path.parent for path in folder.glob("*/fleet.toml"))
        hint = f"Did you mean {inner[0]}?" if inner else f"Make a new fleet folder with `liftledger start {folder}`."
        raise RequestError(f"{folder} holds no fleet.toml, so it is not a fleet folder. {hint}")


def check(folder: Path) -> "tuple[list[Problem], int]":
    """Return what is wrong with a fleet folder and the head of its logs, and the number of sites that can be used."""
    from pipelines.fleet import load_fleet
    from pipelines.fleet.reading_check import check_readings

    _must_be_a_fleet_folder(folder)
    fleet = load_fleet(folder)
    return [*fleet.problems, *check_readings(fleet)], len(fleet.sites)


def chosen_sites(fleet: "Fleet", asked: list[str] | None) -> list[str]:
    """Return the sites asked for, or all of them; an unknown one is refused with the nearest known."""
    from difflib import get_close_matches

    for site_id in asked or []:
        if site_id not in fleet.sites:
            broken = [problem for problem in errors_of(fleet) if site_id in problem.file]
            if broken:
                raise RequestError(f"Site {site_id} cannot be used: {one_line(broken[0])}")
            close = get_close_matches(site_id, fleet.sites, n=1)
            hint = f"Did you mean {close[0]}?" if close else f"Known sites: {', '.join(fleet.sites)}."
            raise RequestError(f"There is no site '{site_id}' in {fleet.folder}. {hint}")
    return asked or list(fleet.sites)


def errors_of(fleet: "Fleet") -> list["Problem"]:
    """Return the problems that keep a site, or the fleet, from being judged."""
    return [problem for problem in fleet.problems if problem.severity == "error"]


def one_line(problem: "Problem") -> str:
    """Return a problem as one line: file, where in it, what is wrong, how to mend it."""
    return str(problem)


@contextmanager
def open_ledger(out: OutFolder, *, read_only: bool = False) -> "Iterator[Ledger]":
    """Open the ledger of an out folder, and close it whatever happens."""
    from pipelines.ledger import Ledger

    if read_only and not out.ledger_folder.is_dir():
        raise RequestError(f"{out.root} holds no ledger yet. Run `liftledger run FLEET` first, or name the out folder "
                           "of an earlier run with --out.")
    ledger = Ledger(out.ledger_folder, read_only=read_only)
    try:
        yield ledger
    finally:
        ledger.close()


def ingest(fleet: "Fleet", ledger: "Ledger", *, progress: Callable[..., None] | None = None):
    """Read every new logger file of a fleet into the ledger; its report begins with sites much of which is lost."""
    from pipelines.ingest import ingest_fleet

    last_known = (ledger.sql.execute("SELECT coalesce(max(file_no), 0) FROM raw_files").fetchone() or (0,))[0]
    report = ingest_fleet(fleet, ledger, progress=progress, limits=fleet.ingest_limits())
    report.messages[:0] = _much_unreadable(ledger, last_known)
    return report


def _much_unreadable(ledger: "Ledger", last_known: int) -> list[str]:
    """Name the sites of whose new files a good share of the rows, or of the rows' cells, went into quarantine."""
    from pipelines.ingest.reader import NO_CHANNEL, NO_SITE, NOT_A_NUMBER, WAITING

    # a row with one bad cell is read all the same and counted once; the bad cells of a row make one bad row
    found = ledger.sql.execute(
        "WITH bad AS (SELECT file_no, count(DISTINCT (member, line)) bad, count(DISTINCT (member, line)) FILTER "
        "(rule <> ?) lost FROM raw_quarantine WHERE file_no > ? AND rule NOT IN (?, ?, ?) GROUP BY 1), "
        "sited AS (SELECT file_no, rows, unnest(site_ids) site_id FROM raw_files WHERE file_no > ?) "
        "SELECT site_id, sum(coalesce(bad, 0))::BIGINT bad, sum(rows + coalesce(lost, 0))::BIGINT total FROM sited "
        "LEFT JOIN bad USING (file_no) GROUP BY 1 HAVING bad > ? * total ORDER BY 1",
        [NOT_A_NUMBER, last_known, WAITING, NO_SITE, NO_CHANNEL, last_known, _MUCH]).fetchall()
    return [f"WARNING, site {site_id}: {bad} of {total} rows of its new files ({min(bad / total, 1.0):.0%}) could not "
            "be read, or not in whole; results rest on the others. Mend the profile and run again: they are read anew."
            for site_id, bad, total in found]
