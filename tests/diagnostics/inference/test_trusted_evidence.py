"""
What a long record may and may not settle between two computed signatures.

A weak motor takes flow from power as a worn pump does where neither speed nor pressure is logged (common practice): the
record leaves no doubt that and when something happened, and must leave doubt which of them it was.
"""

from made_readings import PLAIN, centrifugal_site, made_readings

from diagnostics.diagnose import diagnose_site
from diagnostics.health import HEALTHY, Health
from diagnostics.results import Finding
from diagnostics.settings import Settings

WEAK = Health(motor_efficiency_ratio=0.7)


def _told(trusted: float) -> Finding:
    site = centrifugal_site()
    readings = made_readings(site, 60, channels=PLAIN, health_of_day=lambda day: WEAK if day >= 30 else HEALTHY)
    found = diagnose_site(site, readings, settings=Settings(trusted_evidence=trusted)).findings
    assert len(found) == 1
    return found[0]


def test_more_of_the_same_leaves_rivals_that_no_sensor_parts_and_still_dates_the_change():
    trusting, careful = _told(1e9), _told(Settings().trusted_evidence)
    assert careful.cause == trusting.cause
    assert careful.onset == trusting.onset
    left = {rival.cause: rival.probability for rival in careful.rivals}
    before = {rival.cause: rival.probability for rival in trusting.rivals}
    assert max(left.values()) < max(before.values()), "what stood beside it alone is now one of several"
    assert sum(p >= 0.03 for p in left.values()) > sum(p >= 0.03 for p in before.values())
    assert "motor_fault" in left
