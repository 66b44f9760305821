"""Flow of the healthy site against the power its drive takes, for the eye."""

import numpy as np
from numpy.typing import NDArray

from diagnostics.chain.site_model import ChainNotAvailable, SiteModel
from diagnostics.site import Site

_POINTS = 80
_BEYOND_RATED = 1.15


def healthy_curve(site: Site) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """
    Return flow against array-side power of the site as described, at the level of its sheet.

    Parameters
    ----------
    site : Site
        As described.

    Returns
    -------
    power_w, flow_m3_s : tuple of ndarray, shape (n,)
        Empty where no model of the chain exists. [W], [m3/s]
    """
    try:
        model = SiteModel.build(site)
    except ChainNotAvailable:
        return np.empty(0), np.empty(0)
    power = np.linspace(0.0, _BEYOND_RATED * model.rated_array_power_w, _POINTS)
    flow = model.flow_at_power(power)
    known = np.isfinite(flow)
    return power[known], flow[known]
