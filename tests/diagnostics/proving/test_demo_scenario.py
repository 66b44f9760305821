"""The demo scenario: its sheets, that it can be made again bit for bit, and that every fault in it bites."""

import hashlib
import subprocess
import sys
import tomllib
from pathlib import Path

import pandas as pd
import pytest

SAMPLE_LOGS = Path(__file__).resolve().parents[3] / "sample-logs"
# SHA-256 over names and bytes of every file that the short run below leaves (our own code, 25 November 2026).
SHORT_RUN_DIGEST = "e44c17a97f7b02115f69ddfba374015be190942999bb8bb21921390a73b54f91"


def _make(into: Path) -> str:
    subprocess.run([sys.executable, SAMPLE_LOGS / "make_demo.py", "--into", into, "--days", "2", "--sites",
                    "heron-pond-upper", "tule-house", "hillside-plunger"], check=True, capture_output=True)
    digest = hashlib.sha256()
    for path in sorted(into.rglob("*")):
        if path.is_file():
            digest.update(path.relative_to(into).as_posix().encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()


@pytest.mark.slow
def test_a_short_part_is_made_bit_for_bit_as_before(tmp_path):
    assert _make(tmp_path / "again") == SHORT_RUN_DIGEST


def test_sheets_print_the_machines_behind_them():
    sys.path.insert(0, str(SAMPLE_LOGS))
    try:
        from demo_machines import MACHINES
    finally:
        sys.path.remove(str(SAMPLE_LOGS))
    written = tomllib.loads((SAMPLE_LOGS / "fleet/equipment/pumps.toml").read_text())["pump"]
    assert {pump["key"] for pump in written} == set(MACHINES)
    for pump in written:
        machine = MACHINES[pump["key"]]
        assert pump["motor"]["rated_power_w"] == pytest.approx(machine.motor_power_w)
        if "displacement_ml_rev" in pump:
            volume = pump["displacement_ml_rev"] * 1e-6 * machine.speed_rpm / 60
            assert volume == pytest.approx(machine.flow_m3_s, rel=1e-3)
        elif "curve" in pump and "flow_l_min" in pump["curve"][0]:
            best = min(pump["curve"], key=lambda p: abs(p["flow_l_min"] / 60000 - machine.flow_m3_s))
            assert best["head_m"] == pytest.approx(machine.head_m, rel=0.01)


def test_scenario_is_as_large_and_as_mixed_as_it_says():
    truth = tomllib.loads((SAMPLE_LOGS / "truth.toml").read_text())
    causes = [site["cause"] for site in truth["sites"].values()]
    assert truth["days"] >= 150
    assert len(causes) >= 16
    assert causes.count("sound") >= 6
    assert {"soiled_array", "string_open", "clogged_intake", "blocked_delivery", "falling_water_table", "worn_pump",
            "riser_leak", "drive_stopped", "low_water_cutout", "meter_stopped", "logger_silent"} <= set(causes)
    files = [path for path in (SAMPLE_LOGS / "fleet/logs").rglob("*") if path.is_file()]
    assert sum(path.stat().st_size for path in files) < 15e6


def test_every_planted_loss_of_water_is_felt_and_sound_sites_lose_none():
    truth = tomllib.loads((SAMPLE_LOGS / "truth.toml").read_text())["sites"]
    daily = pd.read_csv(SAMPLE_LOGS / "truth-daily.csv.gz", parse_dates=["day"])
    for site_id, site in truth.items():
        days = daily[daily["site_id"] == site_id]
        if site["cause"] in ("meter_stopped", "logger_silent") or (days["tank_full_share"] > 0.02).any():
            continue
        if site["cause"] == "sound":
            assert days["true_m3"].sum() == pytest.approx(days["healthy_m3"].sum(), rel=0.01), site_id
            continue
        onset = pd.Timestamp(site["onset"])
        before = days[days["day"] < onset]
        settled = pd.Timedelta(days=25 if site["shape"] == "ramp" else 2)
        after = days[(days["day"] > onset + settled)
                     & (days["day"] < pd.Timestamp(site.get("mended_on", "2027-01-01")))]
        assert len(before) >= 30, site_id
        assert before["true_m3"].sum() / before["healthy_m3"].sum() > 0.97, site_id
        assert after["true_m3"].sum() / after["healthy_m3"].sum() < 0.93, site_id
