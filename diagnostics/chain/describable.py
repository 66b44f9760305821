"""Whether a description has a chain at all, and what of it no state of health changes."""

from typing import Any

from diagnostics.chain.operating_point import WaterSide, water_side
from diagnostics.chain.pump_end import PumpEnd
from diagnostics.site import Site

_KEPT_SITES = 128


class ChainNotAvailable(NotImplementedError):  # noqa: N818 - it is a state of the description, not a mistake
    """The site's family, drive or source has no model, so nothing can be expected of it."""


class Remembered:
    """Last results of a function of a frozen site, kept by identity: descriptions never change in place."""

    def __init__(self) -> None:
        self._kept: dict[int, tuple[Site, Any]] = {}

    def of(self, site: Site, make: Any) -> Any:
        """Return the result of `make(site)`, worked out once a site."""
        found = self._kept.get(id(site))
        if found is not None and found[0] is site:
            return found[1]
        made = make(site)
        while len(self._kept) >= _KEPT_SITES:
            self._kept.pop(next(iter(self._kept)))
        self._kept[id(site)] = (site, made)
        return made


_WATER_SIDES = Remembered()


def water_side_of(site: Site) -> WaterSide:
    """
    Pipes and pump end of a site, worked out once.

    Parameters
    ----------
    site : Site

    Returns
    -------
    side : WaterSide
    """
    side: WaterSide = _WATER_SIDES.of(site, water_side)
    return side


def pump_end_of(site: Site) -> PumpEnd:
    """
    Pump end of a site, worked out once.

    Parameters
    ----------
    site : Site

    Returns
    -------
    end : PumpEnd
    """
    return water_side_of(site).end


def refuse_what_has_no_chain(site: Site) -> None:
    """
    Raise where nothing can be expected of a description.

    Parameters
    ----------
    site : Site

    Raises
    ------
    ChainNotAvailable
        With the sentence that says why.
    """
    absent = site.lacks("array", "drive", "pump", "well", "pipework")
    if absent:
        raise ChainNotAvailable(f"Site {site.id} has no {' and no '.join(absent)}: it measures, it does not pump.")
    if site.array is None and site.wind is None:
        raise ChainNotAvailable(f"Site {site.id} has neither array nor wind turbine: its battery is filled by a source "
                                "that is not described, so nothing can be expected of it.")
    if site.drive.kind == "direct" and site.array is None:
        raise ChainNotAvailable("A pump coupled straight to a wind turbine has no model: the turbine's voltage against "
                                "speed is not described.")
