"""Which readings are not to be trusted, and why: masks beside the values, never instead of them."""

from diagnostics.quality.clock import ClockSettings, ClockSpan, clock_spans
from diagnostics.quality.masking import mask_readings, masked
from diagnostics.quality.settings import QualitySettings
from diagnostics.quality.suspicions import Suspicion, empty_months, swap_suspicions, unit_suspicions

__all__ = ["ClockSettings", "ClockSpan", "QualitySettings", "Suspicion", "clock_spans", "empty_months",
           "mask_readings", "masked", "swap_suspicions", "unit_suspicions"]
