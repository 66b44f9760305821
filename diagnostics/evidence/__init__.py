"""Daily physical summaries: small, robust to broken cloud, and functions of health rather than of the day's weather."""

from diagnostics.evidence.features import FEATURES, Feature
from diagnostics.evidence.summary import Summaries

__all__ = ["FEATURES", "Feature", "Summaries"]
