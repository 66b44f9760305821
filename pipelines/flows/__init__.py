"""Scheduled service: thin wrappers around `pipelines.stages`. Only this room knows the scheduler."""
