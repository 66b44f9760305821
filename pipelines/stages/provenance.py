"""What made a result: the software to the letter, and everything that went into it."""

import hashlib
import json
from collections.abc import Iterable
from dataclasses import asdict
from datetime import datetime
from functools import lru_cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from diagnostics.results import ServiceEvent
    from diagnostics.settings import Settings
    from diagnostics.site import Site


@lru_cache(maxsize=1)
def software() -> str:
    """Return version and digest of the science's own source: a mended line makes old results out of date."""
    import diagnostics

    try:
        said = version("liftledger")
    except PackageNotFoundError:
        said = "not installed"
    folder = Path(diagnostics.__file__).parent
    digest = hashlib.sha256()
    for path in sorted(folder.rglob("*.py")):
        digest.update(path.relative_to(folder).as_posix().encode())
        digest.update(path.read_bytes())
    return f"liftledger {said} {digest.hexdigest()[:12]}"


def inputs_of(site: "Site", events: "Iterable[ServiceEvent]", settings: "Settings", until: datetime | None,
              readings_digest: str) -> str:
    """Return the digest of all that a site's result depends on: sheet, service log, thresholds, span, raw files."""
    told = {"site": site.model_dump(mode="json"), "events": [event.model_dump(mode="json") for event in events],
            "settings": asdict(settings), "until": until.isoformat() if until else None, "readings": readings_digest}
    return hashlib.sha256(json.dumps(told, sort_keys=True, default=str).encode()).hexdigest()
