"""One scheduler for all tests of flows; starting it takes seconds, so nobody starts a second one."""

import os

import pytest

# Set before the scheduler's library is imported anywhere: no news to its makers, no colour codes in captured logs.
os.environ.setdefault("PREFECT_SERVER_ANALYTICS_ENABLED", "false")
os.environ.setdefault("DO_NOT_TRACK", "1")
os.environ.setdefault("PREFECT_LOGGING_COLORS", "false")


@pytest.fixture(scope="session", autouse=True)
def scheduler():
    """Run one temporary server for the session."""
    testing = pytest.importorskip("prefect.testing.utilities")
    with testing.prefect_test_harness(server_startup_timeout=120):
        yield
