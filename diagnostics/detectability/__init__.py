"""What the sensors of one site could ever prove: smallest faults, what they hide behind, which sensor would help."""

from diagnostics.detectability.answer import Detectability, Smallest, WhatCanBeProved, detectability
from diagnostics.detectability.grounds import CannotTellError

__all__ = ["CannotTellError", "Detectability", "Smallest", "WhatCanBeProved", "detectability"]
