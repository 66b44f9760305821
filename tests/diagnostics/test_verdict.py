"""The verdict carries its interval, concerns the last thirty days, and is not turned by a bare suspicion."""

from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

from diagnostics.account import DayBooks
from diagnostics.consequence import Storage, consequence, fault_probability
from diagnostics.data_chain import DataChain
from diagnostics.readings import SiteReadings
from diagnostics.results import DAY_COLUMNS, EvidenceRow, Finding, Rival, SiteDiagnosis
from diagnostics.settings import Settings
from diagnostics.site import Demand
from diagnostics.verdict import recent_sums, verdict_of

DAYS = 90


def _books(delivered: np.ndarray, **causes: np.ndarray) -> DayBooks:
    one = np.ones(DAYS)
    return DayBooks(expected=10 * one, expected_low=8.5 * one, expected_high=11.5 * one, delivered=delivered,
                    seen=delivered, states={"tank_full": 0 * one}, causes=causes, cause_spread={},
                    judged=np.ones(DAYS, dtype=bool))


def _days(state: str = "working", off_hours: float = 0.0) -> pd.DataFrame:
    index = pd.Index([date(2026, 1, 1) + timedelta(days=n) for n in range(DAYS)], name="day")
    table = pd.DataFrame({name: np.zeros(DAYS) for name in DAY_COLUMNS}, index=index)
    table["judged"], table["reason"], table["main_state"] = True, "", state
    table["judged_sun_hours"], table["off_hours"] = 9.0, off_hours
    return table


def _finding(cause: str = "blocked_delivery", *, confidence: float = 0.9, lost: float = 2.0, size: float = 0.3,
             status: str = "steady", shape: str = "step", rivals: tuple[tuple[str, float], ...] = (),
             check: str = "flow_high_power", urgency: str = "two_days") -> Finding:
    row = EvidenceRow(check=check, says="Seen.", value=1.0, healthy=0.0, unit="1", outcome="supports", n_samples=9)
    return Finding.model_validate({
        "site_id": "s", "cause": cause, "confidence": confidence, "onset": date(2026, 2, 1),
        "onset_low": date(2026, 2, 1), "onset_high": date(2026, 2, 1), "onset_shape": shape,
        "last_seen": date(2026, 3, 30), "size": size, "size_low": size, "size_high": size, "size_unit": "1",
        "size_means": "", "water_lost_m3_day": lost, "water_lost_low_m3_day": 0.7 * lost,
        "water_lost_high_m3_day": 1.3 * lost, "evidence": [row],
        "rivals": [Rival(cause=code, probability=share) for code, share in rivals], "next_test": "Look.",
        "urgency": urgency, "status": status})


def _chain(**withheld: str) -> DataChain:
    nothing = pd.DataFrame(index=pd.DatetimeIndex([], tz="UTC"))
    return DataChain(SiteReadings("s", nothing, nothing, pd.Series(dtype=float, index=nothing.index)),
                     withheld=tuple(withheld.items()))


def _verdict(delivered: float | np.ndarray, *findings: Finding, lost: float = 0.0, chain: DataChain | None = None,
             days: pd.DataFrame | None = None, **kwargs: bool) -> tuple[str, str]:
    causes = {finding.cause: np.full(DAYS, lost) for finding in findings}
    books = _books(np.broadcast_to(np.asarray(delivered, dtype=float), (DAYS,)).copy(), **causes)
    return verdict_of(_days() if days is None else days, findings, books, chain or _chain(), Settings(),
                      judged_sun_hours=9.0 * DAYS, **kwargs)


def test_the_ratio_is_told_with_the_interval_of_meter_and_expectation():
    # By hand: 9.5 of 10 due; low 0.95 * 9.5 / 11.5 = 78 %, high 1.05 * 9.5 / 8.5 = 117 %.
    assert _verdict(9.5) == ("working", "95% (78% to 117%) of the water due in the last 30 days.")


def test_a_sure_loss_turns_the_verdict_and_a_bare_suspicion_does_not():
    assert _verdict(8.0, _finding(), lost=2.0)[0] == "less than it should"
    verdict, says = _verdict(9.0, _finding(confidence=0.3), lost=1.0)
    assert verdict == "working" and "suspected" in says


def test_causes_that_sensors_cannot_tell_apart_add_up():
    shared = _finding(confidence=0.35, rivals=(("clogged_intake", 0.3), ("riser_leak", 0.2), ("meter_stopped", 0.1)))
    assert fault_probability(shared) == pytest.approx(0.85)
    verdict, says = _verdict(8.0, shared, lost=2.0)
    assert verdict == "less than it should" and "cannot tell apart" in says


def test_a_loss_within_the_sheets_interval_from_day_one_does_not_turn_it_a_step_within_the_record_does():
    assert _verdict(9.0, _finding(shape="day_one"), lost=1.0)[0] == "working"
    assert _verdict(9.0, _finding(shape="step"), lost=1.0)[0] == "less than it should"
    assert _verdict(7.0, _finding(shape="day_one"), lost=3.0)[0] == "less than it should"


def test_only_the_last_thirty_days_count():
    delivered = np.where(np.arange(DAYS) < 60, 3.0, 9.8)
    assert _verdict(delivered, _finding(status="mended"), lost=0.0)[0] == "working"
    assert recent_sums(_days(), _books(delivered)).delivered == pytest.approx(30 * 9.8)


@pytest.mark.parametrize("cause", ["meter_stopped", "meter_under_reading", "meter_over_reading"])
def test_a_meter_in_doubt_gives_no_verdict_on_the_pump(cause):
    verdict, says = _verdict(7.0, _finding(cause))
    assert verdict == "not enough data" and "how much water came is not known" in says


def test_a_few_days_doubt_of_the_meter_do_not_hide_an_older_fault():
    young = _finding("meter_over_reading").model_copy(update={"onset": date(2026, 3, 27)})
    assert _verdict(7.0, young)[0] == "not enough data"
    assert _verdict(7.0, _finding(), young, lost=1.5)[0] == "less than it should"


def test_a_small_error_of_a_meter_that_the_tank_proves_leaves_the_water_known():
    assert _verdict(9.4, _finding("meter_under_reading", size=0.07, check="tank_gain"))[0] == "working"


def test_a_sun_sensor_far_off_gives_no_verdict():
    assert _verdict(9.4, _finding("irradiance_sensor_fault", size=0.3))[0] == "not enough data"


def test_more_water_than_the_sun_can_lift_is_never_working():
    verdict, says = _verdict(20.0)
    assert verdict == "not enough data" and "2 times the water" in says


def test_far_too_little_without_a_cause_is_said_and_a_pump_that_rests_is_left_alone():
    assert _verdict(5.0)[0] == "less than it should"
    assert "no cause" in _verdict(5.0)[1]
    assert _verdict(5.0, days=_days(off_hours=4.0))[0] == "working"
    assert _verdict(5.0, on_demand=True)[0] == "working"


def test_standing_days_are_no_good_news_where_nothing_stops_the_pump_by_itself():
    days = _days()
    days.loc[days.index[-12:-6], "main_state"] = "stopped"
    assert _verdict(9.0, days=days, may_rest=False)[0] == "less than it should"


def test_withheld_readings_are_the_reason_that_is_told():
    days = _days()
    days["judged"], days["reason"] = False, "no flow"
    verdict, says = _verdict(0.0, days=days, chain=_chain(flow_m3_s="The meter shows 60 times the water due."))
    assert (verdict, says) == ("not enough data", "No verdict: the meter shows 60 times the water due.")
    assert "no flow can be used" in _verdict(0.0, days=days)[1]


def _placed(finding: Finding, verdict: str = "working") -> tuple[str, tuple[str, ...]]:
    days = _days()
    days["delivered_m3"] = 10.0
    diagnosis = SiteDiagnosis("s", days, pd.DataFrame(), pd.DataFrame(), [finding], [], [],
                              verdict=verdict)  # type: ignore[arg-type]
    placed = consequence(diagnosis, Demand(), Storage(), as_of=days.index[-1])
    return placed.class_code, placed.reasons


def test_nobody_is_sent_for_a_bare_suspicion_and_a_danger_is_not_waited_out():
    code, reasons = _placed(_finding(confidence=0.2))
    assert code == "watch" and any("suspected only (20%)" in reason for reason in reasons)
    assert _placed(_finding(confidence=0.4))[0] == "next_route"
    assert _placed(_finding(confidence=0.4, urgency="now"))[0] == "go_now"


def test_the_reason_says_what_its_class_says():
    code, reasons = _placed(_finding(confidence=0.9))
    assert code == "today" and any("go today" in reason for reason in reasons)
