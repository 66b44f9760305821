"""What the sensors of one site could ever prove: smallest faults, what they hide behind, which sensor would help."""

from diagnostics.detectability.answer import Detectability, Smallest, WhatCanBeProved, detectability
from diagnostics.detectability.at_best import AtBest, told_at_best
from diagnostics.detectability.grounds import CannotTellError

__all__ = ["AtBest", "CannotTellError", "Detectability", "Smallest", "WhatCanBeProved", "detectability", "told_at_best"]
