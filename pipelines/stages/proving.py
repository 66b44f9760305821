"""What a site could prove, worked out from the ledger's readings and kept beside them for its page."""

import json
from collections.abc import Callable
from datetime import datetime
from typing import TYPE_CHECKING

from pipelines.errors import RequestError
from pipelines.stages.loading import chosen_sites, open_ledger
from pipelines.stages.outfolder import OutFolder, write_text

if TYPE_CHECKING:
    from diagnostics.detectability import Detectability
    from pipelines.fleet import Fleet

FOLDER = "provable"


def provable_of(fleet: "Fleet", out: OutFolder, site_id: str, *, sensors: bool = True, until: datetime | None = None,
                progress: Callable[[str], None] | None = None) -> "Detectability":
    """
    Work out what a site's sensors could prove, and keep the answer for its page.

    Raises
    ------
    RequestError
        If nothing can be judged at this site; the message says what is missing.
    """
    from threadpoolctl import threadpool_limits

    from diagnostics.detectability import CannotTellError, detectability
    from diagnostics.quality.masking import masked

    chosen_sites(fleet, [site_id])
    site = fleet.sites[site_id]
    with open_ledger(out, read_only=True) as ledger:
        readings = ledger.read_site(site_id, end=until)
    if not len(readings.values):
        raise RequestError(f"site {site_id} has no readings in the ledger. Run `liftledger run {fleet.folder}`.")
    try:
        with threadpool_limits(1):
            known = masked(site, readings, settings=fleet.quality_settings())
            answer = detectability(site, known, settings=fleet.settings(), sensors=sensors,
                                   progress=progress)
    except CannotTellError as gap:
        raise RequestError(f"nothing can be proved by these sensors: {gap}") from gap
    write_text(out.root / FOLDER / f"{site_id}.json", answer.model_dump_json(indent=1) + "\n")
    return answer


def kept_answer(out: OutFolder | None, site_id: str) -> "Detectability | None":
    """Return the answer that was kept for a site, None where nobody asked or it was made by other software."""
    from pydantic import ValidationError

    from diagnostics.detectability import Detectability

    if out is None:
        return None
    path = out.root / FOLDER / f"{site_id}.json"
    try:
        return Detectability.model_validate(json.loads(path.read_text(encoding="utf-8")))
    except (OSError, ValueError, ValidationError):
        return None
