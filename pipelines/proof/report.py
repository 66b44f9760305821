"""The figures of a proof as tables, for a terminal or as Markdown."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from diagnostics.proving.figures import Score
from diagnostics.proving.score import Outcome
from pipelines.markdown_table import markdown_table
from pipelines.proof.calibrating import CrossValidation
from pipelines.proof.diagnosing import DetectionDelay

# Goals as the project set them for itself.
GOALS = {"macro-F1, moderate and severe": "0.90", "right first": "0.80", "among rivals": "0.95",
         "findings per sound site-year": "0.2", "size within 20 %": "1", "calibration error": "0.05",
         "median detection delay of steps, days": "3", "median detection delay of ramps, days": "14",
         "days inside the 95 % interval of expected delivery": "0.95", "onset inside its interval": "0.95",
         "size inside its interval": "0.95"}


def headline(found: Score, outcomes: Sequence[Outcome], delays: Sequence[DetectionDelay] = ()) -> pd.DataFrame:
    """
    List the figures that are asked for first, beside their goals.

    Parameters
    ----------
    found : Score
        Figures.
    outcomes : sequence of Outcome
        Behind them.
    delays : sequence of DetectionDelay, optional
        Of the sample.

    Returns
    -------
    table : pandas.DataFrame
        Figure, value, goal.
    """
    seconds = np.array([o.seconds for o in outcomes])
    rows: dict[str, float] = {
        "plants": float(found.plants), "of them sound": float(found.sound), "macro-F1": found.macro_f1,
        "macro-F1, moderate and severe": found.macro_f1_strong, "planted causes named": found.named,
        "right first": found.right_first, "among rivals": found.among_rivals,
        "findings per sound site-year": found.false_alarms_per_sound_year,
        "of these in the pump system": found.system_false_alarms_per_sound_year,
        "median size error": found.median_size_error, "median onset error, days": found.median_onset_error_days,
        "calibration error": found.calibration_error, **found.figures,
        "CPU seconds a site, median": float(np.median(seconds)) if seconds.size else float("nan")}
    for shape in ("step", "ramp"):
        mine = [d.days for d in delays if d.shape == shape]
        if mine:
            rows[f"median detection delay of {shape}s, days"] = float(np.median(mine))
    return pd.DataFrame([{"figure": name, "value": value, "goal": GOALS.get(name, "")}
                         for name, value in rows.items()])


def tables(found: Score, outcomes: Sequence[Outcome], delays: Sequence[DetectionDelay] = (),
           validations: Sequence[CrossValidation] = ()) -> list[tuple[str, pd.DataFrame]]:
    """
    Lay out every table of a proof.

    Parameters
    ----------
    found : Score
        Figures.
    outcomes : sequence of Outcome
        Behind them.
    delays : sequence of DetectionDelay, optional
        Of the sample.
    validations : sequence of CrossValidation, optional
        Of a calibration.

    Returns
    -------
    tables : list of (str, pandas.DataFrame)
        Title and rows.
    """
    out = [("Figures", headline(found, outcomes, delays)),
           ("By cause: named over planted by band of water lost", found.table.reset_index()),
           ("By band of water lost", found.bands),
           ("Planted but not named: what was said instead", found.pairs),
           ("Findings on sound plants", found.alarms),
           ("Stated less true onset by shape, days", found.onsets), ("Size, stated over true", found.sizes),
           ("Stated confidence against the share that is right", found.reliability),
           ("By family, sensors, region and logger interval", found.groups)]
    if delays:
        out.append(("Days from true onset to the night that first named the cause (sample)",
                    pd.DataFrame([{"cause": d.cause, "shape": d.shape, "band": d.band, "days": d.days}
                                  for d in delays])))
    for one in validations:
        out.append((f"Calibration cross-validated by {one.grouped_by}: error {one.error:.3f} (raw posterior "
                    f"{one.raw_error:.3f}), Brier score {one.brier:.3f} ({one.raw_brier:.3f})", one.table))
    return out


def as_markdown(title: str, table: pd.DataFrame) -> str:
    """
    Write one table as Markdown.

    Parameters
    ----------
    title : str
        Heading.
    table : pandas.DataFrame
        Rows.

    Returns
    -------
    text : str
        Heading and table.
    """
    rows = [[_cell(value) for value in row] for row in table.itertuples(index=False)]
    return f"**{title}**\n\n{markdown_table([str(name) for name in table.columns], rows)}"


def as_text(title: str, table: pd.DataFrame) -> str:
    """
    Write one table for a terminal.

    Parameters
    ----------
    title : str
        Heading.
    table : pandas.DataFrame
        Rows.

    Returns
    -------
    text : str
        Heading and aligned columns.
    """
    if table.empty:
        return f"{title}\n  none"
    return f"{title}\n{table.map(_cell).to_string(index=False)}"


def _cell(value: object) -> str:
    if isinstance(value, float):
        if not np.isfinite(value):
            return "never" if value > 0 else "-"
        return f"{value:.0f}" if value == int(value) and abs(value) >= 10 else f"{value:.3g}"
    return str(value)
