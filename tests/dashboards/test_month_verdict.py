"""A letter judges its own month: neither today's state nor another month's fault leaks into it."""

from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from dashboards.letter import Sender, letter_text, plain_text
from diagnostics.month_verdict import account_of, days_between, findings_between, month_verdict
from tests.dashboards import sample

JULY, AUGUST = (date(2025, 7, 1), date(2025, 7, 31)), (date(2025, 8, 1), date(2025, 8, 31))
MAY = (date(2025, 5, 1), date(2025, 5, 31))


@pytest.mark.parametrize(("build", "span", "verdict"), [
    (sample.clogged_view, MAY, "working"), (sample.clogged_view, AUGUST, "less than it should"),
    (sample.stopped_view, JULY, "working"), (sample.stopped_view, AUGUST, "not working"),
    (sample.silent_view, JULY, "working"), (sample.silent_view, AUGUST, "not enough data"),
    (sample.sound_view, AUGUST, "working")])
def test_verdict_belongs_to_its_month(build, span, verdict):
    assert month_verdict(build().diagnosis, *span) == verdict


def test_working_needs_most_of_the_sun_hours_and_a_fault_does_not():
    sound, clogged = sample.sound_view().diagnosis, sample.clogged_view().diagnosis
    for diagnosis, verdict in ((sound, "not enough data"), (clogged, "less than it should")):
        days = diagnosis.days.copy()
        half = [day.month == 8 and day.day > 16 for day in days.index]
        days.loc[half, "judged"] = False
        assert month_verdict(replace(diagnosis, days=days), *AUGUST) == verdict


def test_few_judged_hours_are_never_a_verdict():
    diagnosis = sample.stopped_view().diagnosis
    days = diagnosis.days.copy()
    days.loc[[day.month == 8 and day.day < 31 for day in days.index], "judged"] = False
    assert month_verdict(replace(diagnosis, days=days), *AUGUST) == "not enough data"


def test_silence_after_the_month_is_said_but_does_not_undo_it():
    view = sample.silent_view()
    text = plain_text(letter_text(view.site.replaced(owner={}), view.diagnosis, month=JULY[0],
                                  sender=Sender("X", "l@example.org")))
    assert text.startswith("✔ WORKING AS IT SHOULD")
    assert "Since 22 August no readings have reached us, so we do not know how it is now." in text
    assert "We will find out why no readings arrive." in text


def test_stop_after_the_month_is_said():
    view = sample.stopped_view()
    text = plain_text(letter_text(view.site.replaced(owner={}), view.diagnosis, month=JULY[0],
                                  sender=Sender("X", "l@example.org")))
    assert "After the month was over, about 29 August, it stopped." in text


def test_fault_that_ended_before_the_month_is_not_told_again():
    view = sample.clogged_view()
    mended = view.diagnosis.findings[0].model_copy(update={"status": "mended", "last_seen": date(2025, 7, 25)})
    diagnosis = replace(view.diagnosis, findings=[mended])
    assert findings_between(diagnosis, *AUGUST) == []
    assert findings_between(diagnosis, *JULY) == [mended]


def test_days_and_account_are_cut_to_the_month():
    diagnosis = sample.sound_view().diagnosis
    assert list(days_between(diagnosis.days, *JULY).index) == [date(2025, 7, day) for day in range(1, 32)]
    assert account_of(diagnosis, JULY[0]).first_day == JULY[0]
    assert account_of(diagnosis, datetime(2024, 7, 1, tzinfo=UTC).date()) is None
