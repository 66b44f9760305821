"""What the sensors of one site could ever prove: smallest faults, what they hide behind, which sensor would help."""

from diagnostics.detectability.answer import Detectability, Smallest, WhatCanBeProved, detectability
from diagnostics.detectability.grounds import CannotTellError
from diagnostics.detectability.own_chain import ByOwnChain, told_by_own_chain

__all__ = ["ByOwnChain", "CannotTellError", "Detectability", "Smallest", "WhatCanBeProved", "detectability",
           "told_by_own_chain"]
