"""All masks of a site in one call."""

import numpy as np
import pandas as pd

from diagnostics.quality.context import Context, Marks
from diagnostics.quality.limits import mark_beyond_sheets, mark_irradiance, mark_night, mark_range
from diagnostics.quality.settings import QualitySettings
from diagnostics.quality.stillness import mark_spikes, mark_straight, mark_stuck
from diagnostics.readings import SiteReadings
from diagnostics.site import Site


def mask_readings(site: Site, values: pd.DataFrame, interval_s: "pd.Series[float]", *,
                  settings: QualitySettings | None = None) -> pd.DataFrame:
    """
    Say which readings contradict physics, the site's sheets or each other.

    Parameters
    ----------
    site : Site
        Description of the site.
    values : DataFrame, shape (n, channels)
        UTC index `interval_end_utc`, columns of `CHANNELS`, canonical units. Values that the ingest has masked may be
        left in or be NaN.
    interval_s : Series, shape (n,)
        Length of each interval. [s]
    settings : QualitySettings, optional
        Thresholds.

    Returns
    -------
    masks : DataFrame of uint16, shape of `values`
        `Mask` bits; 0 is sound. Bits set at ingest are not repeated here: or the two together.
    """
    context = Context(site, values, np.asarray(interval_s, dtype=np.float64), settings or QualitySettings())
    marks = Marks(values)
    if len(values):
        for check in (mark_range, mark_beyond_sheets, mark_night, mark_irradiance, mark_stuck, mark_straight,
                      mark_spikes):
            check(context, marks)
    return marks.frame()


def masked(site: Site, readings: SiteReadings, *, settings: QualitySettings | None = None) -> SiteReadings:
    """
    Return readings with the masks of the ingest and the masks of physics together.

    Parameters
    ----------
    site : Site
        Description of the site.
    readings : SiteReadings
        As the ledger gives them.
    settings : QualitySettings, optional
        Thresholds.

    Returns
    -------
    readings : SiteReadings
        The same values; masks only gain bits.
    """
    found = mask_readings(site, readings.values.where(readings.masks == 0), readings.interval_s, settings=settings)
    both = (readings.masks.astype("uint16") | found.astype("uint16")).astype("uint16")
    return SiteReadings(readings.site_id, readings.values, both, readings.interval_s)
