"""Thresholds of the diagnosis, each with its reason. A company may change them; the change stands in the result."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Settings:
    """
    What counts as enough data, as noise and as a finding.

    None of these numbers was fitted to a plant; each is a practical bound with its reason beside it.
    """

    # Enough data. A day needs a third of its sun hours and at least two; a site needs twenty in all (about three
    # clear days), below which a verdict would rest on a single kind of weather.
    least_judged_share_of_day: float = 0.3
    least_judged_sun_hours_day: float = 2.0
    least_judged_sun_hours: float = 20.0
    least_judged_days: int = 3
    # Sun low enough that sensor levelling, horizon and start-up decide and nothing can be judged. [W/m2]
    least_irradiance_w_m2: float = 80.0
    # A healthy flow below this share of the rated one is start-up, not delivery.
    least_flow_ratio: float = 0.05
    # Nuisance model: how fast ordinary drift of a residual forgets itself (dust, turbidity, season of the air). [days]
    drift_memory_days: float = 25.0
    # Neighbouring days share weather and model error; the variance of a day is widened by (1+r)/(1-r), r = 0.33.
    day_variance_widening: float = 2.0
    # A real system's fault never has exactly the computed signature; each summary states by how much (features.py),
    # and this scales all of them.
    signature_error: float = 1.0
    # Log evidence is divided by this, for signatures are never quite those of the site. 1 would be pure theory; how
    # well stated confidence agrees with the share that is right stands in DEVELOPERS.md as measured.
    evidence_temper: float = 2.0
    # Log evidence beyond which a difference between two causes counts for less and less: signatures are computed on a
    # chain that is not the site itself, and more days of the same do not make them truer.
    trusted_evidence: float = 30.0
    # A deviation from the first day is held against tolerances and not against days: it cannot grow with the length
    # of the record, so nothing in it is counted twice and its evidence is taken as it is.
    day_one_temper: float = 1.0
    # A finding opens when "something is wrong" is this probable, and is kept while the named cause stays ahead.
    open_probability: float = 0.85
    # A cause with less than this share of the evidence beside the first one is no rival worth a test.
    least_rival_probability: float = 0.03
    # Concurrent causes sought at most.
    most_causes: int = 3
    # Water lost below this share of expected is within what a meter and a sun sensor can prove.
    least_loss_ratio: float = 0.04
    # Days of a pump site that are weighed, the newest ones. Time grows with their square and memory too; three years
    # hold every season three times, and an older pump is another pump. [days]
    most_weighed_days: int = 1100
    # Neighbours whose light may stand in where a site's own is not known; further away days differ too much. 0: none.
    neighbour_light_km: float = 40.0
    # Hours without a reading after which a logger counts as silent: one missed nightly upload is ordinary.
    silent_after_hours: float = 48.0
    # An outage that has ended is told only if it took this long; shorter ones stand in the data calendar.
    outage_hours: float = 96.0
    # Rain that washes an array: 6 mm in a day (Kimber et al. 2006 model as documented in pvlib).
    washing_rain_mm: float = 6.0
    confidence_level: float = 0.95
