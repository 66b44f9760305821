"""From files as loggers write them to readings in SI at interval end UTC, with masks and quarantine beside them."""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pipelines.ingest.load import IngestReport, ingest_fleet

__all__ = ["IngestReport", "ingest_fleet"]


def __getattr__(name: str) -> Any:
    """Import the engine only when something is read: a check of the fleet folder needs the profiles alone."""
    if name in __all__:
        from pipelines.ingest import load

        return getattr(load, name)
    raise AttributeError(name)
