"""A small fleet of the tests' own: sites by hand, profiles by hand, files written by each test."""

from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import pytest

from diagnostics.site import Site
from pipelines.ingest.profile import LoggerProfile
from pipelines.ledger import Ledger


@dataclass
class SmallFleet:
    """What the ingest needs of a fleet."""

    folder: Path
    sites: dict[str, Site] = field(default_factory=dict)
    profiles: dict[str, LoggerProfile] = field(default_factory=dict)

    def add_site(self, site_id: str, profile: str, files: str, **changes: object) -> Site:
        logs = changes.pop("logs", [{"profile": profile, "files": files}])
        site = small_site(site_id, logs=logs, **changes)
        self.sites[site_id] = site
        return site

    def add_profile(self, key: str, **written: object) -> LoggerProfile:
        self.profiles[key] = LoggerProfile.model_validate({"key": key, **written})
        return self.profiles[key]

    def write(self, name: str, text: str | bytes) -> Path:
        path = self.folder / "logs" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(text.encode("utf-8") if isinstance(text, str) else text)
        return path


def small_site(site_id: str = "well-1", **changes: object) -> Site:
    described = {
        "id": site_id, "name": site_id.title(), "latitude_deg": -1.5, "longitude_deg": 37.2, "altitude_m": 1200.0,
        "timezone": "Africa/Nairobi", "installed_on": date(2020, 1, 1),
        "array": {"module": {"key": "m", "power_w": 100.0, "vmp_v": 18.0, "imp_a": 5.56, "voc_v": 22.0, "isc_a": 6.0,
                             "cells_in_series": 36, "temperature_coefficient_voc_per_k": -0.003,
                             "temperature_coefficient_isc_per_k": 0.0005,
                             "temperature_coefficient_power_per_k": -0.004},
                  "modules_in_series": 8, "strings_in_parallel": 1, "tilt_deg": 10.0, "azimuth_deg": 0.0},
        "drive": {"kind": "tracking"},
        "pump": {"key": "p", "family": "centrifugal_submersible", "rated_speed_rpm": 2900.0,
                 "motor": {"kind": "brushless_dc", "rated_power_w": 700.0, "rated_efficiency": 0.8,
                           "rated_voltage_v": 140.0, "rated_speed_rpm": 2900.0},
                 "curve": [{"flow_m3_s": 0.0, "head_m": 60.0}, {"flow_m3_s": 0.0005, "head_m": 50.0},
                           {"flow_m3_s": 0.001, "head_m": 30.0}]},
        "well": {"static_water_level_m": 20.0, "pump_setting_depth_m": 35.0},
        "pipework": {"runs": [{"length_m": 40.0, "bore_m": 0.04}], "outlet_height_m": 3.0},
        **changes}
    return Site.model_validate(described)


@pytest.fixture
def fleet(tmp_path: Path) -> SmallFleet:
    (tmp_path / "fleet" / "logs").mkdir(parents=True)
    return SmallFleet(tmp_path / "fleet")


@pytest.fixture
def ledger(tmp_path: Path):
    with Ledger(tmp_path / "out" / "ledger") as opened:
        yield opened
