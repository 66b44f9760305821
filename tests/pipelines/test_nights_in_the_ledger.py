"""Nights over a ledger: what was kept saves the weighing and never changes what is told."""

import json
import shutil
from datetime import UTC, date, datetime, timedelta

import pandas as pd
import pytest

from pipelines.ledger import Ledger
from pipelines.stages.diagnosing import diagnose, weighed_through
from pipelines.stages.loading import load
from pipelines.stages.nights import SiteNight

pytestmark = pytest.mark.slow

SITES = ["draw-camp", "tule-house"]
FIRST = datetime(2026, 5, 25, 9, tzinfo=UTC)        # the string of draw-camp opens on 28 May, between two weighings
NIGHTS = 6


def told(diagnosis):
    records = [[one.model_dump(mode="json") for one in part]
               for part in (diagnosis.findings, diagnosis.states, diagnosis.accounts, diagnosis.proofs)]
    return json.dumps([records, diagnosis.verdict, diagnosis.verdict_says, diagnosis.notes, str(diagnosis.weighed_on)])


def same(one, other):
    for frame in ("days", "summaries", "intervals"):
        pd.testing.assert_frame_equal(getattr(one, frame), getattr(other, frame), check_exact=True)
    assert told(one) == told(other)


@pytest.fixture
def ways(monkeypatch):
    """Count how the nights of sites were worked out: True where the new day was enough."""
    seen = []
    go_on = SiteNight.go_on

    def counted(self, digest):
        asked = go_on(self, digest)
        seen.append((self.site.id, self.day, asked is None))
        return asked

    monkeypatch.setattr(SiteNight, "go_on", counted)
    return seen


@pytest.fixture(scope="module")
def ingested(small_fleet, small_run, tmp_path_factory):
    """Return the readings of the small fleet without any result."""
    folder = tmp_path_factory.mktemp("nights") / "ledger"
    shutil.copytree(small_run / "ledger", folder)
    with Ledger(folder) as ledger:
        tables = [row[0] for row in ledger.sql.execute(
            "SELECT table_name FROM information_schema.tables WHERE table_name LIKE 'out_%'").fetchall()]
        for table in (*tables, "kept_nights"):
            ledger.sql.execute(f'DELETE FROM "{table}"')  # noqa: S608
    return folder


def test_nights_end_where_a_run_from_nothing_ends(small_fleet, ingested, ways, tmp_path):
    fleet = load(small_fleet)
    by_night, at_once = (shutil.copytree(ingested, tmp_path / name) for name in ("night", "once"))
    with Ledger(by_night) as nights, Ledger(at_once) as once:
        for number in range(NIGHTS):
            diagnose(fleet, nights, site_ids=SITES, as_of=FIRST + timedelta(days=number))
        last = FIRST + timedelta(days=NIGHTS - 1)
        went_on = [(site_id, str(day)) for site_id, day, enough in ways if enough]
        assert 3 <= len(went_on) < len(ways) - len(SITES), went_on
        diagnose(fleet, once, site_ids=SITES, as_of=last, again=True)
        for site_id in SITES:
            same(nights.read_diagnosis(site_id), once.read_diagnosis(site_id))
        # Weighed by the calendar on the 26th; the string asked for more.
        assert nights.read_diagnosis("draw-camp").weighed_on >= date(2026, 5, 28)

        # What was kept and cannot be read is as good as none.
        nights.sql.execute("UPDATE kept_nights SET record = '{\"weighed_on\": \"2026-'")
        ways.clear()
        diagnose(fleet, nights, site_ids=SITES[1:], as_of=last + timedelta(days=1))
        diagnose(fleet, once, site_ids=SITES[1:], as_of=last + timedelta(days=1), again=True)
        assert [enough for *_, enough in ways] == [False]
        same(nights.read_diagnosis(SITES[1]), once.read_diagnosis(SITES[1]))


def test_late_readings_are_taken_up_as_far_back_as_they_reach(small_fleet, ingested, ways, tmp_path):
    """A day that comes two nights late costs its days again; one from before the last weighing the whole record."""
    fleet = load(small_fleet)
    late, whole = (shutil.copytree(ingested, tmp_path / name) for name in ("late", "whole"))
    site = SITES[1]
    with Ledger(late) as ledger, Ledger(whole) as reference:
        diagnose(fleet, ledger, site_ids=[site], as_of=FIRST)
        weighed = ledger.read_diagnosis(site).weighed_on
        known = (FIRST - timedelta(days=1)).date()
        away = known if known > weighed else None
        for number, day in enumerate(filter(None, (away, weighed - timedelta(days=3)))):
            ledger.sql.execute(
                "CREATE OR REPLACE TABLE held AS SELECT * FROM core_rows WHERE interval_end_utc::DATE = ? AND "
                "source_no IN (SELECT source_no FROM core_sources WHERE site_id = ?)", [day, site])
            ledger.sql.execute("DELETE FROM core_rows WHERE interval_end_utc::DATE = ? AND source_no IN (SELECT "
                               "source_no FROM core_sources WHERE site_id = ?)", [day, site])
            diagnose(fleet, ledger, site_ids=[site], as_of=FIRST + timedelta(days=2 * number), again=True)
            ledger.sql.execute("INSERT INTO core_rows SELECT * FROM held")
            ways.clear()
            diagnose(fleet, ledger, site_ids=[site], as_of=FIRST + timedelta(days=2 * number + 1))
            diagnose(fleet, reference, site_ids=[site], as_of=FIRST + timedelta(days=2 * number + 1), again=True)
            same(ledger.read_diagnosis(site), reference.read_diagnosis(site))
        assert ways[0][2] is False, "readings from before the weighing were not looked at"


def test_a_claim_is_weighed_through_the_last_day(small_fleet, ingested, tmp_path):
    fleet = load(small_fleet)
    with Ledger(shutil.copytree(ingested, tmp_path / "claim")) as ledger:
        for number in range(NIGHTS):
            diagnose(fleet, ledger, site_ids=SITES[1:], as_of=FIRST + timedelta(days=number))
            kept = ledger.read_diagnosis(SITES[1])
            if kept.days_since_weighing:
                break
        assert kept.days_since_weighing > 0
        last = kept.days.index[-1]
        whole = weighed_through(fleet, ledger, SITES[1], last)
        assert whole.weighed_on == last == whole.days.index[-1]
        assert ledger.read_diagnosis(SITES[1]).weighed_on == kept.weighed_on
