"""A small invented fleet with diagnoses of our own making, for looking at pages: no physics is proved with it."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd

from dashboards.views import FileSeen, FleetView, Intake, SiteView, fleet_view, power_picture, site_view
from diagnostics.consequence import Storage
from diagnostics.results import (
    AccountLine,
    EvidenceRow,
    Finding,
    RepairProof,
    Rival,
    ServiceEvent,
    SiteDiagnosis,
    StateSpan,
    WaterAccount,
)
from diagnostics.site import Site

AS_OF = date(2025, 8, 31)
FIRST = date(2025, 4, 1)
COMPANY = "Three Wells Service"
NASTY_NAME = 'Karim\'s "<script>alert(1)</script>" well \u202e reversed & more'
CAUTIONS = {
    "E1": "The array is live in daylight and cannot be switched off. Isolate in the right order and prove dead; "
          "qualified electrical work under the local code.",
    "L1": "A pump on its pipe is heavy: tripod or hoist, pipe clamps, trained crew; never lift by the cable.",
    "P1": "Relieve pressure before opening; never remove or plug a relief valve.",
    "W1": "After opening a well: disinfect, flush and test the water before people drink, as local rules ask.",
    "C1": "Nobody enters a well, pit or tank without gas test, ventilation, harness, attendant and permit.",
}


def sample_site(site_id: str, name: str, **changes: object) -> Site:
    described: dict[str, object] = {
        "id": site_id, "name": name, "latitude_deg": -1.42, "longitude_deg": 36.95, "altitude_m": 1620.0,
        "timezone": "Africa/Nairobi", "installed_on": "2021-03-04", "aquifer": "Upper lavas", "region": "Plains",
        "array": {"module": {"key": "m1", "power_w": 250, "vmp_v": 30.0, "imp_a": 8.33, "voc_v": 37.5, "isc_a": 8.9,
                             "cells_in_series": 60, "temperature_coefficient_voc_per_k": -0.0032,
                             "temperature_coefficient_isc_per_k": 0.0005,
                             "temperature_coefficient_power_per_k": -0.0043},
                  "modules_in_series": 4, "strings_in_parallel": 2, "tilt_deg": 10, "azimuth_deg": 0},
        "drive": {"key": "d1", "kind": "tracking", "has_low_water_stop": True, "has_float_input": True},
        "pump": {"key": "p1", "family": "centrifugal_submersible", "rated_speed_rpm": 2900, "stages": 12,
                 "motor": {"kind": "brushless_dc", "rated_power_w": 1500, "rated_efficiency": 0.85,
                           "rated_voltage_v": 110, "rated_speed_rpm": 2900},
                 "curve": [{"flow_m3_s": 0.0, "head_m": 80}, {"flow_m3_s": 0.001, "head_m": 66},
                           {"flow_m3_s": 0.0018, "head_m": 40}]},
        "well": {"static_water_level_m": 28.0, "pump_setting_depth_m": 48.0},
        "pipework": {"runs": [{"length_m": 48, "bore_m": 0.04}], "outlet_height_m": 6.0},
        "tank": {"shape": "vertical_cylinder", "diameter_m": 3.0, "height_m": 2.5, "full_level_m": 2.3,
                 "outlet_level_m": 0.2},
        "demand": {"people": 420, "daily_need_m3": 9.0},
        "owner": {"name": "Water Committee", "email": "committee@example.org", "language": "en"},
    }
    return Site.model_validate(described | changes)


def sample_days(seed: int, *, loss_from: date | None = None, loss: float = 0.0, stop_from: date | None = None,
                full_share: float = 0.0, silent_from: date | None = None, ramp_days: int = 1,
                gaps: tuple[date, ...] = (), expected_m3: float = 21.0) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    index = [FIRST + timedelta(days=n) for n in range((AS_OF - FIRST).days + 1)]
    clear = np.clip(rng.beta(4.0, 1.4, len(index)), 0.12, 1.0)
    expected = expected_m3 * np.clip(1.25 * clear - 0.2, 0.0, None)
    ratio = np.ones(len(index))
    if loss_from:
        age = np.array([(day - loss_from).days for day in index])
        ratio -= loss * np.clip(age / ramp_days, 0.0, 1.0) * (age >= 0)
    full = np.where(rng.random(len(index)) < full_share, expected * rng.uniform(0.2, 0.5, len(index)), 0.0)
    delivered = np.maximum(expected * ratio * rng.normal(1.0, 0.02, len(index)) - full, 0.0)
    state = np.where(full > 0, "tank_full", np.where(clear < 0.35, "dull", "working")).astype(object)
    days = pd.DataFrame({
        "judged": True, "reason": "", "expected_m3": expected, "expected_low_m3": 0.9 * expected,
        "expected_high_m3": 1.1 * expected, "delivered_m3": delivered, "seen_m3": delivered,
        "delivery_ratio": delivered / np.maximum(expected - full, 1e-9), "irradiation_kwh_m2": 7.0 * clear,
        "clear_sky_ratio": clear, "sun_hours": 11.3, "judged_sun_hours": 11.3, "tank_full_m3": full,
        "off_hours": 0.0, "main_state": state}, index=pd.Index(index, name="day"))
    values = ["expected_m3", "expected_low_m3", "expected_high_m3", "delivered_m3", "delivery_ratio"]
    if stop_from:
        stopped = np.array([day >= stop_from for day in index])
        days.loc[stopped, ["delivered_m3", "seen_m3", "delivery_ratio", "tank_full_m3"]] = 0.0
        days.loc[stopped, "main_state"] = "stopped"
        days.loc[stopped, "off_hours"] = 8.0
    for day in gaps:
        days.loc[day, "judged"], days.loc[day, "reason"] = False, "no irradiance"
        days.loc[day, "main_state"] = "not_judged"
        days.loc[day, values] = np.nan
    if silent_from:
        quiet = np.array([day >= silent_from for day in index])
        days.loc[quiet, "judged"] = False
        days.loc[quiet, "reason"] = "no readings"
        days.loc[quiet, "main_state"] = "silent"
        days.loc[quiet, [*values, "seen_m3", "irradiation_kwh_m2", "clear_sky_ratio", "tank_full_m3"]] = np.nan
        days.loc[quiet, "judged_sun_hours"] = 0.0
    return days


def sample_finding(site_id: str, cause: str, **changes: object) -> Finding:
    described: dict[str, object] = {
        "site_id": site_id, "cause": cause, "confidence": 0.83, "onset": "2025-07-12", "onset_low": "2025-07-10",
        "onset_high": "2025-07-14", "onset_shape": "ramp", "last_seen": AS_OF, "size": 0.24, "size_low": 0.2,
        "size_high": 0.28, "size_unit": "ratio", "size_means": "share of flow lost at high power",
        "water_lost_m3_day": 4.3, "water_lost_low_m3_day": 3.5, "water_lost_high_m3_day": 5.1,
        "evidence": [
            {"check": "flow_high_power", "says": "At high power the flow is 24 % below healthy; at low power only 6 %.",
             "value": -0.24, "healthy": 0.0, "unit": "ratio", "outcome": "supports", "n_samples": 212,
             "source": "flow against power, 14 clear days"},
            {"check": "start_power", "says": "Water starts at 212 W, as when healthy (208 W).", "value": 212.0,
             "healthy": 208.0, "unit": "w", "outcome": "supports", "n_samples": 31, "source": "starts"},
            {"check": "drawdown", "says": "Drawdown is 0.9 m less than at the healthy flow.", "value": -0.9,
             "healthy": 0.0, "unit": "m", "outcome": "speaks against", "n_samples": 180, "source": "level probe"},
            {"check": "outlet_pressure", "says": "No pressure gauge at the outlet.", "value": None, "healthy": None,
             "unit": "pa", "outcome": "not enough data", "n_samples": 0}],
        "rivals": [
            {"cause": "blocked_delivery", "probability": 0.11, "against": "The line is short and was flushed in June.",
             "split_by": "Gauge at the wellhead while it pumps: high pressure means the line, low means the intake."},
            {"cause": "worn_pump", "probability": 0.04, "against": "The loss came within three weeks.",
             "split_by": "Shut-in pressure."}],
        "next_test": "Read the outlet pressure at full sun; then lift and look at the strainer.",
        "field_readings": ["Outlet pressure at noon: 0.6 bar if the intake is clogged, above 1.4 bar if the line is.",
                           "Array volts at 11:00 in sun: 112 to 118 V."],
        "parts": ["strainer 40 mm", "gasket set"], "dangers": ["E1", "L1", "W1"], "owner_of_cause": "well owner",
        "urgency": "two_weeks", "status": "growing", "status_says": "Grew by a tenth in the last 14 days."}
    return Finding.model_validate(described | changes)


def sample_accounts(site_id: str, days: pd.DataFrame, cause: str | None) -> list[WaterAccount]:
    accounts = []
    for month in range(FIRST.month, AS_OF.month + 1):
        part = days[[day.month == month for day in days.index]]
        judged = part[part["judged"]]
        expected, delivered = float(judged["expected_m3"].sum()), float(judged["delivered_m3"].sum())
        full = float(judged["tank_full_m3"].sum())
        rest = expected - delivered - full
        lines = [AccountLine(kind="delivered", code="delivered", volume_m3=delivered, low_m3=0.97 * delivered,
                             high_m3=1.03 * delivered)]
        if full > 0:
            lines.append(AccountLine(kind="state", code="tank_full", volume_m3=full, low_m3=0.9 * full,
                                     high_m3=1.1 * full))
        named = 0.93 * rest if cause and rest > 0.08 * expected else 0.0
        if cause and named:
            lines.append(AccountLine(kind="cause", code=cause, volume_m3=named, low_m3=0.8 * named,
                                     high_m3=1.2 * named))
        left = expected - sum(line.volume_m3 for line in lines)
        lines.append(AccountLine(kind="unexplained", code="unexplained", volume_m3=left, low_m3=left - 0.05 * expected,
                                 high_m3=left + 0.05 * expected))
        accounts.append(WaterAccount(
            site_id=site_id, first_day=part.index[0], last_day=part.index[-1], expected_m3=expected,
            expected_low_m3=0.95 * expected, expected_high_m3=1.05 * expected, lines=lines, days=len(part),
            judged_days=len(judged), seen_m3=float(part["seen_m3"].sum())))
    return accounts


def sample_intervals(days: pd.DataFrame, loss: float, loss_from: date | None) -> pd.DataFrame:
    index = pd.date_range(pd.Timestamp(FIRST, tz="UTC"), periods=24 * len(days), freq="h", name="interval_end_utc")
    hour = index.hour.to_numpy() + 3.0
    clear = np.repeat(days["clear_sky_ratio"].fillna(0.0).to_numpy(), 24)
    power = 1450.0 * np.clip(np.sin(np.pi * (hour - 6.5) / 12.0), 0.0, None) * clear
    flow = healthy_flow(power)
    if loss_from:
        late = np.asarray(index >= pd.Timestamp(loss_from, tz="UTC"))
        flow = np.where(late, flow * (1.0 - loss * flow / flow.max()), flow)
    rng = np.random.default_rng(3)
    return pd.DataFrame({"array_power_w": power, "flow_m3_s": flow * rng.normal(1.0, 0.025, len(flow))}, index=index)


def healthy_flow(power_w: np.ndarray) -> np.ndarray:
    return 0.00125 * np.clip(1.0 - np.exp(-(np.asarray(power_w) - 210.0) / 650.0), 0.0, None)


def sample_summaries(days: pd.DataFrame, loss: float, loss_from: date | None) -> pd.DataFrame:
    rng = np.random.default_rng(8)
    late = np.array([bool(loss_from and day >= loss_from) for day in days.index])
    count = len(days)
    return pd.DataFrame({
        "flow_high_power": rng.normal(0.0, 0.018, count) - loss * late,
        "flow_low_power": rng.normal(0.0, 0.05, count) - 0.2 * loss * late,
        "start_power": rng.normal(0.0, 0.1, count), "current_high_sun": rng.normal(-0.01, 0.015, count),
        "drawdown": rng.normal(0.0, 0.006, count)}, index=days.index).where(days["judged"], np.nan)


def sample_diagnosis(site_id: str, days: pd.DataFrame, findings: list[Finding], verdict: str, says: str,
                     **changes: object) -> SiteDiagnosis:
    cause = findings[0].cause if findings else None
    loss, since = (0.24, findings[0].onset) if cause == "clogged_intake" else (0.0, None)
    spans = [StateSpan(site_id=site_id, state="tank_full", first_day=date(2025, 8, 2), last_day=date(2025, 8, 9),
                       volume_m3=12.4, says="Tank full on 5 of 8 days.")] if days["tank_full_m3"].sum() > 0 else []
    described: dict[str, object] = {
        "site_id": site_id, "days": days, "summaries": sample_summaries(days, loss, since),
        "intervals": sample_intervals(days, loss, since), "findings": findings, "states": spans,
        "accounts": sample_accounts(site_id, days, cause), "verdict": verdict, "verdict_says": says}
    return SiteDiagnosis(**(described | changes))  # type: ignore[arg-type]


def sample_intake(quiet: bool = False) -> Intake:
    last = datetime(2025, 8, 21 if quiet else 31, 18, 0, tzinfo=UTC)
    return Intake(files=5, new_files=0 if quiet else 1, readings=220_000, rejected=14, last_reading_utc=last, seen=(
        FileSeen("acacia/2025-07.csv", "9f2a" * 16, 44_640, 3, datetime(2025, 7, 1, tzinfo=UTC), last),
        FileSeen("acacia/2025-08.csv", "0b7c" * 16, 44_100, 11, datetime(2025, 8, 1, tzinfo=UTC), last)))


def clogged_view() -> SiteView:
    site = sample_site("acacia", "Acacia School")
    days = sample_days(1, loss_from=date(2025, 7, 12), loss=0.24, ramp_days=20, full_share=0.08,
                       gaps=(date(2025, 5, 4), date(2025, 5, 5), date(2025, 8, 13)))
    finding = sample_finding("acacia", "clogged_intake", group=["clogged_intake", "blocked_delivery"])
    events = [ServiceEvent(site_id="acacia", when_utc=datetime(2025, 6, 3, 8, tzinfo=UTC), by="crew 1",
                           action="washed_array", says="Dust after the road works", meant_for="soiled_array")]
    proofs = [RepairProof(site_id="acacia", when_utc=events[0].when_utc, what="Washed the modules",
                          cause="soiled_array", outcome="worked", before=0.91, after=0.995, unit="ratio",
                          says="Array current at 600 to 1000 W/m² went from 0.91 to 0.995 of expected within 2 days.")]
    diagnosis = sample_diagnosis("acacia", days, [finding], "less than it should",
                                 "Delivers 22 % less than this sun should give, since about 12 July.", proofs=proofs,
                                 notes=["The well level is not logged; 28 m of the sheet is taken."])
    power = np.linspace(0.0, 1500.0, 60)
    picture = power_picture(diagnosis.intervals, finding.onset, power, healthy_flow(power), timezone=site.timezone)
    return site_view(site, diagnosis, company=COMPANY, as_of=AS_OF, intake=sample_intake(), power=picture,
                     storage=Storage(14.8, 6.1), service_events=events, cautions=CAUTIONS)


def _plain_view(site: Site, days: pd.DataFrame, findings: list[Finding], verdict: str, says: str,
                usable_m3: float = 8.0, quiet: bool = False) -> SiteView:
    diagnosis = sample_diagnosis(site.id, days, findings, verdict, says)
    return site_view(site, diagnosis, company=COMPANY, as_of=AS_OF, intake=sample_intake(quiet),
                     storage=Storage(14.8, usable_m3, 240.0 if quiet else 0.0), cautions=CAUTIONS)


def stopped_view() -> SiteView:
    days = sample_days(2, stop_from=date(2025, 8, 29))
    finding = sample_finding(
        "baobab", "drive_stopped", confidence=0.94, onset="2025-08-29", onset_low="2025-08-29",
        onset_high="2025-08-29", onset_shape="step", size=3.0, size_low=3.0, size_high=3.0, size_unit="days",
        size_means="days stood in full sun", water_lost_m3_day=19.0, water_lost_low_m3_day=17.0,
        water_lost_high_m3_day=21.0, urgency="two_days", status="new", status_says="", parts=["drive", "DC fuse"],
        next_test="Ask for a photo of the lamps, lid closed; then measure array volts at the drive.",
        dangers=["E1"], rivals=[Rival(cause="motor_fault", probability=0.05, split_by="Resistance of the windings.")])
    site = sample_site("baobab", "Baobab Cattle Trough", demand={"large_animals": 260}, latitude_deg=-1.5,
                       owner={"name": "J. Lemayian", "email": "j@example.org", "language": "sw",
                              "role": "rancher", "volume_unit": "l"})
    return _plain_view(site, days, [finding], "not working", "No water in full sun for 3 days.", 9.0)


def silent_view() -> SiteView:
    days = sample_days(4, silent_from=date(2025, 8, 22))
    finding = sample_finding(
        "dune", "logger_silent", confidence=0.99, onset="2025-08-22", onset_low="2025-08-22", onset_high="2025-08-22",
        onset_shape="step", size=10.0, size_low=10.0, size_high=10.0, size_unit="days", size_means="days silent",
        water_lost_m3_day=0.0, water_lost_low_m3_day=0.0, water_lost_high_m3_day=0.0, evidence=[], rivals=[],
        next_test="Ring: is the pump running, how full is the tank?", parts=["logger battery", "SIM card"],
        dangers=[], urgency="two_weeks", field_readings=[])
    site = sample_site("dune", "Dune Village", latitude_deg=-1.2,
                       owner={"name": "Comité", "email": "dune@example.org", "language": "fr"})
    return _plain_view(site, days, [finding], "not enough data", "No readings for 10 days.", 11.0, quiet=True)


def sound_view(site_id: str = "euphorbia", name: str = "Euphorbia Farm", seed: int = 5, **owner: str) -> SiteView:
    site = sample_site(site_id, name, latitude_deg=-1.9, owner={
        "name": "Ana Prieto", "email": "ana@example.org", "language": "es", "role": "farmer"} | owner)
    return _plain_view(site, sample_days(seed, full_share=0.3), [], "working",
                       "Delivers what this sun should give; the tank was full for part of the time.", 13.0)


def bad_sensor_view() -> SiteView:
    days = sample_days(6, gaps=tuple(AS_OF - timedelta(days=n) for n in range(40)))
    finding = sample_finding("fig", "irradiance_sensor_fault", confidence=0.71, water_lost_m3_day=0.0,
                             water_lost_low_m3_day=0.0, water_lost_high_m3_day=0.0, urgency="next_route",
                             parts=["soft cloth"], dangers=[], rivals=[])
    return _plain_view(sample_site("fig", NASTY_NAME, longitude_deg=37.3), days, [finding], "not enough data",
                       "Readings arrive, but the sun sensor is in doubt.", 10.0)


def soiled_view() -> SiteView:
    days = sample_days(7, loss_from=date(2025, 6, 20), loss=0.12, ramp_days=60)
    finding = sample_finding(
        "guava", "soiled_array", confidence=0.88, onset="2025-06-20", size=0.12, size_low=0.09, size_high=0.15,
        size_means="share of array current lost", water_lost_m3_day=2.1, water_lost_low_m3_day=1.6,
        water_lost_high_m3_day=2.6, urgency="next_route", parts=["soft brush", "water 40 l"], dangers=["E1"],
        rivals=[Rival(cause="irradiance_sensor_fault", probability=0.09, against="Clear-sky check holds.",
                      split_by="Wipe one module: its current jumps if it is dust.")],
        next_test="Wipe one module and compare its current with its neighbour's.", status="growing")
    return _plain_view(sample_site("guava", "Guava Clinic", demand={"people": 90}, longitude_deg=37.1), days, [finding],
                       "less than it should", "Delivers 11 % less than this sun should give.", 12.0)


def level_view(site_id: str, name: str) -> SiteView:
    days = sample_days(9, loss_from=date(2025, 5, 1), loss=0.18, ramp_days=110)
    finding = sample_finding(
        site_id, "falling_water_table", confidence=0.67, onset="2025-05-01", onset_shape="seasonal", size=5.2,
        size_low=4.0, size_high=6.4, size_unit="m", size_means="metres deeper than the sheet", urgency="two_weeks",
        water_lost_m3_day=3.2, water_lost_low_m3_day=2.4, water_lost_high_m3_day=4.0, parts=["dip meter"],
        dangers=["W1"], next_test="Dip the static level before the pump starts.", status="steady",
        rivals=[Rival(cause="worn_pump", probability=0.21, split_by="Shut-in pressure."),
                Rival(cause="riser_leak", probability=0.08, split_by="Listen after the stop.")])
    site = sample_site(site_id, name, latitude_deg=-1.6 - 0.05 * (name > "I"))
    says = "Delivers 15 % less than this sun should give."
    return _plain_view(site, days, [finding], "less than it should", says, 12.0)


def sample_fleet() -> FleetView:
    views = [clogged_view(), stopped_view(), silent_view(), sound_view(), bad_sensor_view(), soiled_view(),
             level_view("hibiscus", "Hibiscus Estate"), level_view("ironwood", "Ironwood Ranch"),
             sound_view("jujube", "بئر الزيتون", 11), sound_view("kapok", "Kapok Ponds", 12)]
    return fleet_view(views, company=COMPANY, as_of=AS_OF, problems=[
        "sites/lantana.toml, pump_setting_depth: 20 m is above the water at 31 m. Was one written in feet?"])


def evidence_row(**changes: object) -> EvidenceRow:
    return sample_finding("x", "clogged_intake").evidence[0].model_copy(update=changes)
