"""Which readings are not to be trusted, and why: masks beside the values, never instead of them."""

from diagnostics.quality.masking import mask_readings, masked
from diagnostics.quality.settings import QualitySettings

__all__ = ["QualitySettings", "mask_readings", "masked"]
