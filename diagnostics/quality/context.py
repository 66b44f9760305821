"""What the checks share: one site's channels as arrays, the sun over it, the sizes on its sheets."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.chain.sun import sun_elevation_deg
from diagnostics.quality.runs import Flags, Floats, Runs, long_runs, resolution
from diagnostics.quality.settings import QualitySettings
from diagnostics.readings import Mask
from diagnostics.site import Pump, Site

SOLAR_CONSTANT_W_M2 = 1361.0        # Kopp and Lean 2011, Geophys. Res. Lett. 38, L01706: 1360.8


@dataclass(frozen=True)
class Context:
    """One site's readings seen by the checks. Arrays share the index of the readings."""

    site: Site
    values: pd.DataFrame
    interval_s: Floats
    settings: QualitySettings

    def has(self, channel: str) -> bool:
        """Tell whether a channel is there."""
        return channel in self.values.columns

    def channel(self, channel: str) -> Floats:
        """Return one channel as an array, all NaN where the site does not log it."""
        if not self.has(channel):
            return np.full(len(self.values), np.nan)
        return self.values[channel].to_numpy(dtype=np.float64)

    def runs(self, channel: str) -> Runs:
        """Return the runs of equal values of a channel that are long enough for any of the checks."""
        if channel not in self._runs:
            self._runs[channel] = long_runs(self.channel(channel), self.settings.stuck_samples)
        return self._runs[channel]

    def resolution(self, channel: str) -> float:
        """Return how coarsely a channel's sensor rounds. [unit of the channel]"""
        if channel not in self._resolution:
            self._resolution[channel] = resolution(self.channel(channel))
        return self._resolution[channel]

    @cached_property
    def _runs(self) -> dict[str, Runs]:
        return {}

    @cached_property
    def _resolution(self) -> dict[str, float]:
        return {}

    @cached_property
    def elevation_deg(self) -> Floats:
        """Sun's elevation in the middle of each interval. [deg]"""
        index = pd.DatetimeIndex(self.values.index)
        middle = index - pd.to_timedelta(self.interval_s / 2.0, unit="s")
        return sun_elevation_deg(middle, self.site.latitude_deg, self.site.longitude_deg, self.site.altitude_m)

    @cached_property
    def is_night(self) -> Flags:
        """Sun below the settings' night elevation at both ends of the interval, to first order."""
        drop_deg = self.interval_s / 2.0 / 240.0
        return self.elevation_deg + np.minimum(drop_deg, 15.0) < self.settings.night_elevation_deg

    @cached_property
    def is_day(self) -> Flags:
        """Sun above the settings' day elevation."""
        return self.elevation_deg > self.settings.day_elevation_deg

    @cached_property
    def extraterrestrial_w_m2(self) -> Floats:
        """Irradiance outside the atmosphere, normal to the sun (Spencer 1971). [W/m2]"""
        angle = 2.0 * np.pi * np.arange(366, dtype=np.float64) / 365.0      # one value a day of the year
        factor = (1.00011 + 0.034221 * np.cos(angle) + 0.00128 * np.sin(angle) + 0.000719 * np.cos(2 * angle)
                  + 0.000077 * np.sin(2 * angle))
        day = np.asarray(pd.DatetimeIndex(self.values.index).day_of_year, dtype=np.int64)
        return np.asarray(SOLAR_CONSTANT_W_M2 * factor[day - 1], dtype=np.float64)

    @cached_property
    def greatest_flow_m3_s(self) -> float | None:
        """Greatest flow that the pump's sheet knows. [m3/s]"""
        return greatest_flow_on_sheet(self.site.pump)

    @cached_property
    def is_pumping(self) -> Flags:
        """Meter shows clear flow; False where there is no meter."""
        greatest = self.greatest_flow_m3_s
        if greatest is None or not self.has("flow_m3_s"):
            return np.zeros(len(self.values), dtype=bool)
        with np.errstate(invalid="ignore"):
            return self.channel("flow_m3_s") > 0.1 * greatest

    @property
    def runs_by_night(self) -> bool:
        """A battery or a wind turbine may drive the pump without sun."""
        return self.site.battery is not None or self.site.wind is not None


class Marks:
    """Mask bits that the checks set."""

    def __init__(self, values: pd.DataFrame) -> None:
        self._bits = {str(column): np.zeros(len(values), dtype=np.uint16) for column in values.columns}
        self._index = values.index

    def add(self, channel: str, mask: Mask, where: NDArray[np.bool_]) -> None:
        """Set a bit of one channel; channels the site does not log are left alone."""
        if channel in self._bits:
            self._bits[channel][np.asarray(where, dtype=bool)] |= np.uint16(int(mask))

    def frame(self) -> pd.DataFrame:
        """Return the bits as a table like the values."""
        return pd.DataFrame(self._bits, index=self._index, columns=list(self._bits))


def greatest_flow_on_sheet(pump: Pump) -> float | None:
    """Return the greatest flow that a pump's sheet knows, None where it knows none. [m3/s]"""
    if pump.curve:
        return max(point.flow_m3_s for point in pump.curve) or None
    if pump.power_table:
        return max(point.flow_m3_s for point in pump.power_table) or None
    if pump.displacement_m3_rev is not None:
        return pump.displacement_m3_rev * pump.rated_speed_rpm / 60.0
    return None
