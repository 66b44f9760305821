"""The command line: one verb a job, thin calls of `pipelines.stages`, nothing worked out here."""

from pipelines.cli.app import app, main

__all__ = ["app", "main"]
