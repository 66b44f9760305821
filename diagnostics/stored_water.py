"""Water that can still be drawn from a site's tank, from the last level known."""

from datetime import datetime

import numpy as np
import pandas as pd

from diagnostics.chain.tank import volume_at_level
from diagnostics.consequence import Storage
from diagnostics.readings import SiteReadings
from diagnostics.site import Site


def stored_water(site: Site, readings: SiteReadings, as_of: datetime) -> Storage:
    """
    Work out what is left in the tank above its outlet.

    Parameters
    ----------
    site : Site
        Its tank; without one nothing is stored.
    readings : SiteReadings
        The last sound tank level counts; where only the float is logged, a last interval that was full all through
        counts as full.
    as_of : datetime
        Moment of the judgement, with time zone.

    Returns
    -------
    storage : Storage
        Capacity and usable water [m3], NaN where not known, and the age of that knowledge [h].
    """
    tank = site.tank
    if tank is None:
        return Storage()
    floor_m3, full_m3 = volume_at_level(tank, [tank.outlet_level_m, tank.full_level_m])
    capacity = float(max(full_m3 - floor_m3, 0.0))
    moment = pd.Timestamp(as_of).tz_convert("UTC")
    level = readings.sound("tank_level_m").loc[:moment].dropna()
    if len(level):
        usable = float(volume_at_level(tank, level.iloc[-1])) - float(floor_m3)
        return Storage(capacity, float(np.clip(usable, 0.0, None)), _hours(level.index[-1], moment))
    full = readings.sound("tank_full_ratio").loc[:moment].dropna()
    if len(full) and full.iloc[-1] >= 1.0:
        return Storage(capacity, capacity, _hours(full.index[-1], moment))
    return Storage(capacity)


def _hours(seen: pd.Timestamp, moment: pd.Timestamp) -> float:
    return max((moment - seen).total_seconds() / 3600.0, 0.0)
