"""The readings once more, from the archive alone."""

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING

from pipelines.ingest.claims import ClaimedFile, claims_of
from pipelines.ingest.limits import IngestLimits
from pipelines.ingest.load import IngestReport, load_files
from pipelines.ledger import Ledger

if TYPE_CHECKING:
    from pipelines.fleet import Fleet


@dataclasses.dataclass
class _Shadow:
    """A fleet whose logs/ holds names only."""

    folder: Path
    sites: dict
    profiles: dict


def rebuild(source: Ledger, fleet: "Fleet", target: Ledger, names: Path) -> IngestReport:
    """
    Read every archived file into another ledger as the fleet reads it now.

    `names` is an empty folder for a tree of empty files: which file is read how is decided by its name.
    """
    rows = source.sql.execute("SELECT path, sha256 FROM raw_files WHERE status <> 'superseded' "
                              "ORDER BY file_no").fetchall()
    logs = names / "logs"
    logs.mkdir(parents=True, exist_ok=True)
    for path, _ in rows:
        (logs / path).parent.mkdir(parents=True, exist_ok=True)
        (logs / path).touch()
    claims = claims_of(_Shadow(names, fleet.sites, fleet.profiles))  # type: ignore[arg-type]
    by_name = {claimed.name: claimed for claimed in claims.files}
    files = [ClaimedFile(source.archive.place(sha256), path, by_name[path].claims)
             for path, sha256 in rows if path in by_name]
    target.replace_corrections(source.corrections())
    with target.transaction() as sql:
        for (site_id, logger), modulus in sorted(claims.moduli_m3.items()):
            sql.execute("INSERT INTO core_loggers VALUES (?, ?, ?)", [site_id, logger, modulus])
    limits_of = getattr(fleet, "ingest_limits", IngestLimits)
    return load_files(files, target, limits=limits_of())
