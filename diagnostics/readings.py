"""What was logged at one site: values in SI at interval end UTC, masks beside them."""

from dataclasses import dataclass
from enum import IntFlag

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.quantities import CHANNELS


class Mask(IntFlag):
    """Why a value is not to be trusted. Bits add up; 0 is sound. A set bit always means bad."""

    SOUND = 0
    UNREADABLE = 1          # text that is not a number, kept in quarantine
    SENTINEL = 2            # the logger's own code for "no value"
    OUT_OF_RANGE = 4        # outside what can physically happen
    STUCK = 8               # repeats where nature does not
    SPIKE = 16              # leaves and returns within one interval
    IMPOSSIBLE = 32         # contradicts another channel or the site's own limits
    TOTAL_RESET = 64        # totaliser went backwards or was swapped
    NEGATIVE_FLOW = 128
    CLOCK = 256             # time stamp in doubt
    CONFLICT = 512          # two files disagree
    SENSOR_DOUBT = 1024     # channel as a whole contradicted by sun, neighbours or balance
    INTERPOLATED = 2048     # straight line over a gap, made by somebody's software


@dataclass(frozen=True)
class SiteReadings:
    """
    Readings of one site.

    `values` has a UTC DatetimeIndex named ``interval_end_utc``, unique and rising, and one float64 column a logged
    channel (names of `quantities.CHANNELS`); NaN is "not known". `masks` has the same index and columns and holds
    `Mask` bits as integers. `interval_s` gives the length of each interval.
    """

    site_id: str
    values: pd.DataFrame
    masks: pd.DataFrame
    interval_s: pd.Series

    def __post_init__(self) -> None:
        index = self.values.index
        if not isinstance(index, pd.DatetimeIndex) or str(index.tz) != "UTC":
            raise ValueError(f"readings of {self.site_id} need a DatetimeIndex in UTC; convert stamps at ingest.")
        if not (index.is_monotonic_increasing and index.is_unique):
            raise ValueError(f"readings of {self.site_id} must rise in time without repeats; sort and resolve first.")
        unknown = [name for name in self.values.columns if name not in CHANNELS]
        if unknown:
            raise ValueError(f"readings of {self.site_id} hold unknown channels: {', '.join(unknown)}.")
        if not (self.masks.columns.equals(self.values.columns) and self.masks.index.equals(index)):
            raise ValueError(f"masks of {self.site_id} must have the index and columns of the values.")
        if not self.interval_s.index.equals(index):
            raise ValueError(f"interval_s of {self.site_id} must have the index of the values.")

    def sound(self, channel: str) -> "pd.Series[float]":
        """Return one channel with NaN wherever it is masked, or all NaN where the site does not log it."""
        if channel not in self.values.columns:
            return pd.Series(np.nan, index=self.values.index, name=channel, dtype="float64")
        return self.values[channel].where(self.masks[channel] == 0)

    def has(self, channel: str) -> bool:
        """Tell whether the site logs a channel with at least one sound value."""
        return channel in self.values.columns and bool(self.sound(channel).notna().any())

    def mid_interval_utc(self) -> pd.DatetimeIndex:
        """Return the middle of each interval, where the sun is reckoned."""
        half = pd.to_timedelta(np.asarray(self.interval_s, dtype="float64") / 2.0, unit="s")
        return pd.DatetimeIndex(self.values.index - half)

    def sound_array(self, channel: str) -> NDArray[np.float64]:
        """Return `sound` as a float64 array."""
        return np.asarray(self.sound(channel), dtype=np.float64)
