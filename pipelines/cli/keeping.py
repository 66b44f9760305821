"""Verbs that look after the ledger: backup, restore, verify."""

import typer


def add_to(app: typer.Typer) -> None:
    """Register the verbs."""
