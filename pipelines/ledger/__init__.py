"""The store: one DuckDB file beside an archive of raw files under their SHA-256."""

from pipelines.ledger.store import Ledger

__all__ = ["Ledger"]
