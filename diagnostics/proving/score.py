"""How good the diagnosis is on plants whose faults are known: recall, precision, confusion, size, onset, trust."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
import pandas as pd

from diagnostics.proving.planting import PlantedFault
from diagnostics.results import Finding, SiteDiagnosis

Band = Literal["sound", "no water", "mild", "moderate", "severe"]
STATES = frozenset({"tank_full", "switched_off"})
MEASURING = frozenset({
    "meter_under_reading", "meter_over_reading", "meter_stopped", "totaliser_reset", "irradiance_sensor_fault",
    "temperature_sensor_fault", "level_sensor_fault", "electrical_sensor_fault", "clock_shift", "swapped_channels",
    "unit_mistake", "logger_silent"})
# A finding may open this many days before the planted start and still count as the same: onset has an interval.
EARLY_DAYS = 10


@dataclass(frozen=True)
class Outcome:
    """One diagnosed plant beside its truth."""

    site_id: str
    family: str
    climate: str
    sensors: str
    days: int
    planted: tuple[PlantedFault, ...]
    band: Band
    lost_share: float
    found: tuple[str, ...]                  # causes of findings, most confident first
    confidence: tuple[float, ...]
    first_right: bool
    among_rivals: bool
    size_error: float                       # relative, NaN where not comparable
    onset_error_days: float
    account_error: float                    # unexplained over expected
    seconds: float = 0.0

    @property
    def truth(self) -> str:
        """Planted cause, "sound" where none."""
        causes = [f.cause for f in self.planted if f.cause not in STATES]
        return causes[0] if causes else "sound"


@dataclass(frozen=True)
class Score:
    """Figures over many plants."""

    table: pd.DataFrame                     # by cause: planted, found, recall, precision, f1, first, rivals
    confusion: Counter[tuple[str, str]]
    macro_f1: float
    macro_f1_strong: float                  # moderate and severe only
    right_first: float
    among_rivals: float
    false_alarms_per_sound_year: float
    system_false_alarms_per_sound_year: float
    median_size_error: float
    median_onset_error_days: float
    reliability: pd.DataFrame
    calibration_error: float
    bands: pd.DataFrame
    plants: int = 0
    sound: int = 0
    notes: list[str] = field(default_factory=list)


def band_of(truth: pd.DataFrame, planted: Sequence[PlantedFault]) -> tuple[Band, float]:
    """
    Say how much water a planted fault really cost, over the days on which it was there.

    Parameters
    ----------
    truth : pandas.DataFrame
        Of the plant: healthy_flow_m3_s, true_flow_m3_s, state.
    planted : sequence of PlantedFault
        What was planted.

    Returns
    -------
    band, lost_share : tuple
        Under 10 % of water is mild, over 25 % severe. [1]
    """
    causes = [f for f in planted if f.cause not in STATES]
    if not causes:
        return "sound", 0.0
    if all(f.cause in MEASURING for f in causes):
        return "no water", 0.0
    start = min(f.start_day for f in causes)
    # A ramp is judged over its last days, when it is at its size.
    end = min((f.end_day for f in causes if f.end_day is not None), default=np.inf)
    day = (truth.index - truth.index[0]) / pd.Timedelta(days=1)
    last = min(float(day[-1]), end)
    there = np.asarray((day >= max(start, last - 20.0)) & (day < last))
    calling = there & (truth["state"] != "tank_full").to_numpy()
    healthy = float(truth["healthy_flow_m3_s"].to_numpy()[calling].sum())
    lost = 1.0 - float(truth["true_flow_m3_s"].to_numpy()[calling].sum()) / max(healthy, 1e-12)
    band: Band = "mild" if lost < 0.1 else "moderate" if lost < 0.25 else "severe"
    return band, lost


def outcome_of(site_id: str, family: str, climate: str, sensors: str, planted: Sequence[PlantedFault],
               truth: pd.DataFrame, diagnosis: SiteDiagnosis, *, seconds: float = 0.0) -> Outcome:
    """
    Compare one diagnosis with what was planted.

    Parameters
    ----------
    site_id, family, climate, sensors : str
        Of the plant.
    planted : sequence of PlantedFault
        Truth.
    truth : pandas.DataFrame
        Course of the true plant.
    diagnosis : SiteDiagnosis
        What was said.
    seconds : float, optional
        What it took. [s]

    Returns
    -------
    outcome : Outcome
        One row of a score.
    """
    band, lost = band_of(truth, planted)
    if all(f.cause != "soiled_array" for f in planted):
        diagnosis = _without_natural_dust(diagnosis, truth)
    if any(f.cause == "switched_off" for f in planted):     # nobody told the diagnosis; it did stand
        diagnosis = replace(diagnosis, findings=[f for f in diagnosis.findings if f.cause != "drive_stopped"])
    causes = [f for f in planted if f.cause not in STATES]
    ranked = sorted(diagnosis.findings, key=lambda f: -f.confidence)
    first_right = among = False
    onset_error = size_error = float("nan")
    if causes:
        names = {f.cause for f in causes}
        hit = next((f for f in ranked if f.cause in names), None)
        first_right = bool(ranked) and hit is not None
        among = any(f.cause in names or names & set(f.group)
                    or any(r.cause in names and r.probability >= 0.03 for r in f.rivals) for f in ranked)
        if hit is not None:
            fault = next(f for f in causes if f.cause == hit.cause)
            planted_day = pd.Timestamp(diagnosis.days.index[0]) + pd.Timedelta(days=fault.start_day)
            onset_error = (pd.Timestamp(hit.onset) - planted_day).days
            size_error = _size_error(hit, fault)
    expected = sum(a.expected_m3 for a in diagnosis.accounts)
    loose = sum(abs(line.volume_m3) for a in diagnosis.accounts for line in a.lines if line.kind == "unexplained")
    return Outcome(site_id, family, climate, sensors, len(diagnosis.days), tuple(planted), band, lost,
                   tuple(f.cause for f in ranked), tuple(f.confidence for f in ranked), first_right, among,
                   size_error, onset_error, loose / expected if expected > 0.0 else float("nan"), seconds)


def _without_natural_dust(diagnosis: SiteDiagnosis, truth: pd.DataFrame) -> SiteDiagnosis:
    """Take out a finding of dirt that nobody planted but that really lay on the modules: every array gathers dust."""
    if "light_ratio" not in truth.columns:
        return diagnosis
    dirty = float(truth["light_ratio"].quantile(0.05)) < 0.95
    kept = [f for f in diagnosis.findings if not (f.cause == "soiled_array" and dirty)]
    return diagnosis if len(kept) == len(diagnosis.findings) else replace(diagnosis, findings=kept)


def _size_error(finding: Finding, fault: PlantedFault) -> float:
    comparable = {"falling_water_table": fault.size, "meter_under_reading": fault.size,
                  "wiring_resistance": fault.size, "irradiance_sensor_fault": abs(fault.size),
                  "meter_over_reading": fault.size, "riser_leak": fault.size, "wrong_head": fault.size}
    true = comparable.get(fault.cause)
    return abs(finding.size) / true - 1.0 if true else float("nan")


def score(outcomes: Sequence[Outcome]) -> Score:
    """
    Put outcomes together.

    Parameters
    ----------
    outcomes : sequence of Outcome
        One a plant.

    Returns
    -------
    score : Score
        A finding beside the right one counts as false; so does any finding on a sound plant.
    """
    confusion: Counter[tuple[str, str]] = Counter()
    stated: list[tuple[float, bool]] = []
    wrong_sound = wrong_system = 0
    sound_years = 0.0
    for o in outcomes:
        names = {f.cause for f in o.planted if f.cause not in STATES}
        if not names:
            sound_years += o.days / 365.25
            wrong_sound += len(o.found)
            wrong_system += sum(code not in MEASURING for code in o.found)
        top = o.found[0] if o.found else "nothing"
        confusion[(o.truth, next((code for code in o.found if code in names), top))] += 1
        stated += [(p, code in names) for code, p in zip(o.found, o.confidence, strict=True)]
    table = _by_cause(outcomes)
    strong = [o for o in outcomes if o.band in ("moderate", "severe", "sound", "no water")]
    faulty = [o for o in outcomes if o.truth != "sound"]
    reliability, error = _reliability(stated)
    sizes = np.array([abs(o.size_error) for o in faulty])
    onsets = np.array([abs(o.onset_error_days) for o in faulty])
    return Score(
        table=table, confusion=confusion, macro_f1=float(table["f1"].mean()),
        macro_f1_strong=float(_by_cause(strong)["f1"].mean()),
        right_first=float(np.mean([o.first_right for o in faulty])) if faulty else float("nan"),
        among_rivals=float(np.mean([o.among_rivals for o in faulty])) if faulty else float("nan"),
        false_alarms_per_sound_year=wrong_sound / sound_years if sound_years else float("nan"),
        system_false_alarms_per_sound_year=wrong_system / sound_years if sound_years else float("nan"),
        median_size_error=float(np.nanmedian(sizes)) if np.isfinite(sizes).any() else float("nan"),
        median_onset_error_days=float(np.nanmedian(onsets)) if np.isfinite(onsets).any() else float("nan"),
        reliability=reliability, calibration_error=error, bands=_by_band(faulty), plants=len(outcomes),
        sound=len(outcomes) - len(faulty))


def _by_cause(outcomes: Sequence[Outcome]) -> pd.DataFrame:
    causes = sorted({o.truth for o in outcomes} - {"sound"})
    rows = []
    for cause in causes:
        mine = [o for o in outcomes if o.truth == cause]
        hits = sum(cause in o.found for o in mine)
        said = sum(cause in o.found for o in outcomes)
        # A second planted cause that is named is no false statement.
        right = sum(cause in o.found and cause in {f.cause for f in o.planted} for o in outcomes)
        recall, precision = hits / len(mine), right / said if said else 0.0
        f1 = 2 * recall * precision / (recall + precision) if recall + precision > 0 else 0.0
        rows.append({"cause": cause, "planted": len(mine), "found": hits, "recall": recall, "precision": precision,
                     "f1": f1, "first": float(np.mean([o.first_right for o in mine])),
                     "rivals": float(np.mean([o.among_rivals for o in mine]))})
    return pd.DataFrame(rows, columns=["cause", "planted", "found", "recall", "precision", "f1", "first",
                                       "rivals"]).set_index("cause")


def _by_band(faulty: Sequence[Outcome]) -> pd.DataFrame:
    rows = []
    for band in ("no water", "mild", "moderate", "severe"):
        mine = [o for o in faulty if o.band == band]
        if mine:
            rows.append({"band": band, "planted": len(mine), "first": float(np.mean([o.first_right for o in mine])),
                         "rivals": float(np.mean([o.among_rivals for o in mine])),
                         "any finding": float(np.mean([bool(o.found) for o in mine]))})
    return pd.DataFrame(rows)


def _reliability(stated: Sequence[tuple[float, bool]]) -> tuple[pd.DataFrame, float]:
    if not stated:
        return pd.DataFrame(columns=["stated", "right", "findings"]), float("nan")
    confidence = np.array([p for p, _ in stated])
    right = np.array([r for _, r in stated], dtype=np.float64)
    edges = np.array([0.0, 0.3, 0.5, 0.7, 0.85, 0.95, 1.01])
    place = np.digitize(confidence, edges) - 1
    rows = [{"stated": confidence[place == k].mean(), "right": right[place == k].mean(),
             "findings": int((place == k).sum())} for k in range(len(edges) - 1) if (place == k).any()]
    table = pd.DataFrame(rows)
    error = float((np.abs(table["stated"] - table["right"]) * table["findings"]).sum() / table["findings"].sum())
    return table, error
