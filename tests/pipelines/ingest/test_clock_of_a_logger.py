"""A logger's clock from file to correction: set to another zone by a technician, and over a leap day."""

from datetime import UTC, date, datetime

import numpy as np
import pandas as pd
import pvlib
import pytest

from diagnostics.quality.clock import clock_spans, daily_clock_error
from pipelines.ingest import ingest_fleet
from pipelines.ledger.corrections import Correction, add_correction

GHI = "global_horizontal_irradiance_w_m2"
RAW = "SELECT sum(global_horizontal_irradiance_w_m2), min(interval_end_utc), count(*) FROM core_readings"
PROFILE = {"time": {"columns": ["t"], "zone": "Africa/Nairobi", "interval_s": 600}, "channels": {"G": {"channel": GHI}}}


def clear_light(site, first, days, step_min=10):
    """Clear-sky light by pvlib's own sun and Haurwitz model, at interval ends in UTC."""
    index = pd.date_range(first, periods=days * 1440 // step_min, freq=f"{step_min}min", tz="UTC")
    sun = pvlib.solarposition.get_solarposition(index - pd.Timedelta(minutes=step_min / 2), site.latitude_deg,
                                                site.longitude_deg, altitude=site.altitude_m)
    return pvlib.clearsky.haurwitz(sun["apparent_zenith"])["ghi"].round(1).set_axis(index), sun


def written(light, offset_h):
    """Return the rows as a logger so many hours ahead of UTC writes them."""
    return "".join(f"{stamp + pd.Timedelta(hours=offset_h):%Y-%m-%d %H:%M:%S},{value}\n"
                   for stamp, value in light.items())


def test_a_technician_sets_the_logger_to_another_zone(fleet, ledger):
    fleet.add_profile("p", **PROFILE)
    site = fleet.add_site("well-1", "p", "*.csv")
    light, _ = clear_light(site, "2026-02-01", 24)
    visit = pd.Timestamp("2026-02-12 20:00", tz="UTC")      # in the dark of Nairobi: the clock goes from +3 h to UTC
    before, after = light[:visit], light[visit + pd.Timedelta(minutes=10):]
    fleet.write("a.csv", "t,G\n" + written(before, 3) + written(after, 0))
    ingest_fleet(fleet, ledger)
    readings = ledger.read_site("well-1")
    found = clock_spans(site, readings.values, readings.interval_s)
    assert [span.kind for span in found] == ["offset"]
    # its local stamps are read as +3 h, so that they come out three hours early from the first day after the visit on
    assert found[0].error_min == pytest.approx(-180, abs=2)
    assert abs((found[0].first_day.tz_localize(None) - pd.Timestamp("2026-02-13")).days) <= 1
    raw = ledger.sql.execute(RAW).fetchone()

    add_correction(fleet.folder / "corrections.csv", Correction(
        site_id="well-1", kind="shift_clock", value=3 * 3600.0, author="crew",
        reason="clock set to UTC at the visit of 12 February", entered_on=date(2026, 2, 25),
        from_utc=datetime(2026, 2, 12, 20, tzinfo=UTC)))
    ingest_fleet(fleet, ledger)
    mended = ledger.read_site("well-1")
    assert clock_spans(site, mended.values, mended.interval_s) == []
    day = mended.values[GHI]["2026-02-14":"2026-02-22"]
    assert day.to_numpy() == pytest.approx(light.reindex(day.index).to_numpy(), abs=1e-9)
    assert ledger.sql.execute(RAW).fetchone() == raw


def test_a_leap_day_is_a_day_like_any_other(fleet, ledger):
    fleet.add_profile("p", **PROFILE)
    site = fleet.add_site("well-1", "p", "*.csv")
    light, _ = clear_light(site, "2024-02-24", 9)
    fleet.write("a.csv", "t,G\n" + written(light, 3))
    assert ingest_fleet(fleet, ledger).quarantined == 0
    readings = ledger.read_site("well-1")
    assert (readings.values.index == light.index).all() and (readings.interval_s == 600).all()
    assert len(readings.values.loc["2024-02-29"]) == 144
    errors = daily_clock_error(site, GHI, readings.values[GHI], readings.interval_s)
    assert float(errors.abs().max()) < 2.0


@pytest.mark.parametrize("error_min", [-45, 0, 20])
def test_the_current_of_an_array_tells_the_clock_to_two_minutes(fleet, error_min):
    # light on the plane by pvlib's Hay and Davies sky with Haurwitz and Erbs, the current in proportion, 1 % noise
    site = fleet.add_site("well-1", "p", "*.csv")
    light, sun = clear_light(site, "2026-02-01", 8, 5)
    sun = sun.set_axis(light.index)
    day = light.index.day_of_year.to_numpy()
    parts = pvlib.irradiance.erbs(light, sun["zenith"], day)
    plane = pvlib.irradiance.get_total_irradiance(
        site.array.tilt_deg, site.array.azimuth_deg, sun["apparent_zenith"], sun["azimuth"], parts["dni"], light,
        parts["dhi"], dni_extra=pvlib.irradiance.get_extra_radiation(day), model="haydavies")["poa_global"]
    noise = np.random.default_rng(3).normal(1, 0.01, len(plane))
    current = (6.0 * plane.fillna(0.0) / 1000.0 * noise).set_axis(plane.index + pd.Timedelta(minutes=error_min))
    errors = daily_clock_error(site, "array_current_a", current, pd.Series(300.0, index=current.index))
    assert len(errors) >= 6
    assert float(errors.median()) == pytest.approx(error_min, abs=2.0)
