"""How often something is found, by equipment and installer: count over exposure, with an exact interval."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Literal

import numpy as np
from pydantic import Field
from scipy.stats import binomtest, chi2

from diagnostics.causes import CAUSES
from diagnostics.results import Record, SiteDiagnosis
from diagnostics.site import Site

Part = Literal["module", "drive", "pump", "installer", "family"]
# Which links of the chain a part answers for. Measuring faults count for the installer alone, wells for nobody.
LINKS_OF: dict[Part, frozenset[str]] = {
    "module": frozenset({"array"}), "drive": frozenset({"drive"}), "pump": frozenset({"pump"}),
    "family": frozenset({"pump"}),
    "installer": frozenset({"array", "drive", "pump", "pipework", "power source", "measuring"})}
# Not of anybody's making, or no more than a word for not knowing.
_NOT_COUNTED = frozenset({"unexplained", "falling_water_table", "soiled_array", "logger_silent"})
LEAST_CONFIDENCE = 0.5
FEW_FINDINGS = 5            # below this the interval spans more than a factor of four
LEAST_PUMP_YEARS = 1.0
LEAST_SIGNIFICANCE = 0.05


class Rate(Record):
    """Findings of one kind of equipment or one installer per pump-year watched."""

    part: Part
    name: str
    sites: int
    findings: int
    pump_years: float
    rate: float = Field(description="Findings a pump-year.")
    low: float
    high: float
    others_findings: int
    others_pump_years: float
    chance: float = Field(description="Probability of a difference from the others at least this large if there is "
                          "none, raised for the number of comparisons made (Holm 1979).")
    stands_out: bool
    says: str


def garwood_interval(count: int, *, confidence_level: float = 0.95) -> tuple[float, float]:
    """
    Return the exact interval of a Poisson mean from one count.

    Parameters
    ----------
    count : int
        Events seen. [1]
    confidence_level : float, default 0.95
        Least coverage. [1]

    Returns
    -------
    low, high : float
        Bounds of the expected count. [1]

    Raises
    ------
    ValueError
        If the count is negative.

    References
    ----------
    .. [1] F. Garwood, "Fiducial limits for the Poisson distribution", Biometrika 28 (1936) 437-442.
    """
    if count < 0:
        raise ValueError(f"count is {count}: events cannot be fewer than none.")
    tail = 0.5 * (1.0 - confidence_level)
    low = 0.0 if count == 0 else float(0.5 * chi2.ppf(tail, 2 * count))
    return low, float(0.5 * chi2.ppf(1.0 - tail, 2 * (count + 1)))


def rates(sites: Mapping[str, Site], diagnoses: Mapping[str, SiteDiagnosis], *,
          parts: Sequence[Part] = ("module", "drive", "pump", "family", "installer")) -> list[Rate]:
    """
    Count findings over pump-years for every model, family and installer that the fleet has.

    Exposure is what was watched: judged days. A finding counts once, whether it is open, healed or mended, if it is
    more probable than not and lies in a link of the chain that the part answers for.

    Parameters
    ----------
    sites : mapping of str to Site
    diagnoses : mapping of str to SiteDiagnosis
    parts : sequence of str, optional
        What to count by.

    Returns
    -------
    rates : list of Rate
        By part, the highest rate first. One is said to stand out only if chance alone, over all comparisons of its
        part, explains it with a probability below 0.05.
    """
    found: list[Rate] = []
    for part in parts:
        groups: dict[str, list[str]] = defaultdict(list)
        for site_id, diagnosis in diagnoses.items():
            name = name_of(sites[site_id], part)
            if name and len(diagnosis.days):
                groups[name].append(site_id)
        found += _of_part(part, groups, diagnoses)
    return found


def name_of(site: Site, part: Part) -> str:
    """
    Return what a site has of a part.

    Parameters
    ----------
    site : Site
    part : str

    Returns
    -------
    name : str
        Key of the equipment, family or installer; empty where it has none or none is written down.
    """
    if part == "installer":
        return site.installer
    if part == "module":
        return site.array.module.key if site.array is not None else ""
    if part in site.parts_absent or "pump" in site.parts_absent:
        return ""
    return {"drive": site.drive.key, "pump": site.pump.key, "family": site.pump.family}[part]


def _of_part(part: Part, groups: Mapping[str, list[str]], diagnoses: Mapping[str, SiteDiagnosis]) -> list[Rate]:
    counts = {name: sum(_counted(diagnoses[one], part) for one in ids) for name, ids in groups.items()}
    years = {name: sum(float(diagnoses[one].days["judged"].sum()) for one in ids) / 365.25
             for name, ids in groups.items()}
    names = [name for name in groups if years[name] > 0.0]
    total, all_years = sum(counts[name] for name in names), sum(years[name] for name in names)
    plain = [_chance(counts[name], years[name], total, all_years) for name in names]
    found = []
    for name, chance in zip(names, _holm(plain), strict=True):
        low, high = (bound / years[name] for bound in garwood_interval(counts[name]))
        others, others_years = total - counts[name], all_years - years[name]
        out = (chance < LEAST_SIGNIFICANCE and counts[name] >= FEW_FINDINGS and years[name] >= LEAST_PUMP_YEARS)
        found.append(Rate(
            part=part, name=name, sites=len(groups[name]), findings=counts[name], pump_years=years[name],
            rate=counts[name] / years[name], low=low, high=high, others_findings=others,
            others_pump_years=others_years, chance=chance, stands_out=out,
            says=_says(counts[name], years[name], others, others_years, chance, out=out)))
    return sorted(found, key=lambda one: (-one.rate, one.name))


def _counted(diagnosis: SiteDiagnosis, part: Part) -> int:
    links = LINKS_OF[part]
    return len({finding.cause for finding in diagnosis.findings
                if finding.confidence >= LEAST_CONFIDENCE and finding.cause not in _NOT_COUNTED
                and CAUSES[finding.cause].link in links})


def _chance(count: int, years: float, total: int, all_years: float) -> float:
    """Compare with all others: given the total, the count is binomial with the share of the exposure."""
    if total == 0 or all_years - years <= 0.0:
        return 1.0
    return float(binomtest(count, total, years / all_years).pvalue)


def _holm(chances: Sequence[float]) -> list[float]:
    """Raise probabilities for the number of comparisons (S. Holm, Scandinavian Journal of Statistics 6, 1979)."""
    order = np.argsort(chances)
    raised = np.asarray(chances, dtype=np.float64)[order] * (len(chances) - np.arange(len(chances)))
    out = np.empty(len(chances))
    out[order] = np.minimum(np.maximum.accumulate(raised), 1.0)
    return [float(value) for value in out]


def _says(count: int, years: float, others: int, others_years: float, chance: float, *, out: bool) -> str:
    if out:
        above = count / years > others / others_years
        return f"{'More' if above else 'Fewer'} than the others; chance alone gives this with probability {chance:.2g}."
    if years < LEAST_PUMP_YEARS:
        return f"Too short to say: {years:.1f} pump-years watched."
    if count < FEW_FINDINGS:
        return f"Too few to say: {count} finding{'' if count == 1 else 's'}."
    return "No difference from the others can be shown."
