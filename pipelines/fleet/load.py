"""Reading a whole fleet folder: everything that is sound, and everything that is wrong, in one go."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diagnostics.consequence import RankingRules
from diagnostics.results import ServiceEvent
from diagnostics.settings import Settings
from diagnostics.site import Site
from diagnostics.site.suspicions import suspicions
from pipelines.fleet.checking import check, check_what_is_sound
from pipelines.fleet.company import Company
from pipelines.fleet.equipment import Equipment, read_equipment
from pipelines.fleet.log_files import check_claims, check_log_sources
from pipelines.fleet.problems import Problem
from pipelines.fleet.service_log import read_service_log
from pipelines.fleet.thresholds import check_thresholds, with_changes
from pipelines.fleet.toml_text import TomlFile, TomlUnreadableError, read_toml
from pipelines.fleet.weather_files import check_weather

if TYPE_CHECKING:
    from diagnostics.quality.settings import QualitySettings
    from pipelines.ingest.limits import IngestLimits
    from pipelines.ingest.profile import LoggerProfile

_VOLUME_UNIT = {"metric": "m3", "us": "gal_us", "imperial": "gal_imp"}


@dataclass
class Fleet:
    """
    What a fleet folder says. `sites` holds the sites without errors; `problems` says what keeps the others out.

    `log_files` gives, for each site, the files of each of its log sources in the order of `site.logs`.
    """

    folder: Path
    company: Company = field(default_factory=Company)
    sites: dict[str, Site] = field(default_factory=dict)
    profiles: dict[str, "LoggerProfile"] = field(default_factory=dict)
    service_events: list[ServiceEvent] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    site_files: dict[str, str] = field(default_factory=dict)
    log_files: dict[str, list[list[Path]]] = field(default_factory=dict)
    weather_files: list[Path] = field(default_factory=list)
    equipment: Equipment = field(default_factory=Equipment)
    refused: list[str] = field(default_factory=list)

    def settings(self) -> Settings:
        """Return the thresholds of the diagnosis as this company set them."""
        return with_changes(Settings(), self.company.thresholds)

    def quality_settings(self) -> "QualitySettings":
        """Return the thresholds of the masks as this company set them."""
        from diagnostics.quality.settings import QualitySettings

        return with_changes(QualitySettings(), self.company.thresholds)

    def ingest_limits(self) -> "IngestLimits":
        """Return what a logger file may cost, as this company set it."""
        from pipelines.ingest.limits import IngestLimits

        return with_changes(IngestLimits(), self.company.thresholds)

    def ranking_rules(self) -> RankingRules:
        """Return the rules of the ranking as this company set them."""
        return with_changes(RankingRules(), self.company.thresholds)

    @property
    def errors(self) -> list[Problem]:
        """Return the problems that keep something out."""
        return [problem for problem in self.problems if problem.severity == "error"]

    @property
    def warnings(self) -> list[Problem]:
        """Return the problems that keep nothing out."""
        return [problem for problem in self.problems if problem.severity == "warning"]


def load_fleet(folder: Path) -> Fleet:
    """
    Read a fleet folder.

    Parameters
    ----------
    folder : Path
        Holds fleet.toml, sites/, equipment/, loggers/, logs/, weather/ and service-log.csv.

    Returns
    -------
    fleet : Fleet
        Never an exception for what people wrote: everything wrong is in `fleet.problems`, sites with errors are left
        out of `fleet.sites` and named in `fleet.refused`.
    """
    folder = Path(folder)
    fleet = Fleet(folder)
    if not folder.is_dir():
        fleet.problems.append(Problem(str(folder), "", "there is no such folder.", "Give the path of a fleet folder."))
        return fleet
    _load_company(fleet)
    fleet.equipment, problems = read_equipment(folder / "equipment")
    fleet.problems += problems
    broken_profiles = _load_profiles(fleet)
    described = _load_sites(fleet, broken_profiles)
    zones = {site_id: site.timezone for site_id, site in described.items()}
    if (folder / "service-log.csv").exists():
        fleet.service_events, problems = read_service_log(folder / "service-log.csv", zones)
        fleet.problems += problems
    if (folder / "weather").is_dir():
        fleet.weather_files = sorted(path for path in (folder / "weather").rglob("*") if path.is_file())
    fleet.problems += check_weather(fleet)
    return fleet


def _read(path: Path, name: str, problems: list[Problem]) -> TomlFile | None:
    try:
        return read_toml(path, name)
    except TomlUnreadableError as error:
        problems.append(Problem(name, f"line {error.line}" if error.line else "", error.says, error.mend))
        return None


def _load_company(fleet: Fleet) -> None:
    path = fleet.folder / "fleet.toml"
    if not path.is_file():
        fleet.problems.append(Problem("fleet.toml", "", "the file is missing.",
                                      "Write one with at least name = \"...\"; sites are read without it.", "warning"))
        return
    file = _read(path, "fleet.toml", fleet.problems)
    if file is None:
        return
    company, problems = check_what_is_sound(Company, file.content, file)
    fleet.problems += problems
    fleet.company = company or fleet.company
    wrong = check_thresholds(fleet.company.thresholds, file)
    fleet.problems += wrong
    if wrong:
        sound = {name: change for name, change in fleet.company.thresholds.items()
                 if not any(file.place(("thresholds", name)) == problem.where for problem in wrong)}
        fleet.company = fleet.company.model_copy(update={"thresholds": sound})
    if company is not None and "name" not in file.content:
        fleet.problems.append(Problem("fleet.toml", "name", "the company has no name.", "Add name = \"...\".",
                                      "warning"))


def _load_profiles(fleet: Fleet) -> set[str]:
    from pipelines.ingest.profile import LoggerProfile

    broken: set[str] = set()
    for path in sorted((fleet.folder / "loggers").glob("*.toml")):
        name = f"loggers/{path.name}"
        file = _read(path, name, fleet.problems)
        if file is None:
            broken.add(path.stem)
            continue
        written: dict[str, Any] = dict(file.content)
        if "key" in LoggerProfile.model_fields:
            written.setdefault("key", path.stem)
        key = str(written.get("key", path.stem))
        profile, problems = check(LoggerProfile, written, file)
        fleet.problems += problems
        if key in fleet.profiles:
            fleet.problems.append(Problem(name, file.place(("key",)),
                                          f"another file already holds the profile '{key}'.",
                                          "Give one of them another key."))
        elif profile is None:
            broken.add(key)
        else:
            fleet.profiles[key] = profile
    return broken


def _load_sites(fleet: Fleet, broken_profiles: set[str]) -> dict[str, Site]:
    """Fill the sites; return every site whose description is sound, also those kept out by their log files."""
    described: dict[str, Site] = {}
    refused: set[str] = set()
    paths = sorted((fleet.folder / "sites").glob("*.toml"))
    if not paths:
        fleet.problems.append(Problem("sites/", "", "no site is described.", "Write one TOML file a site."))
    for path in paths:
        name = f"sites/{path.name}"
        file = _read(path, name, fleet.problems)
        if file is None:
            refused.add(path.stem)
            continue
        site, problems = _site_of(file, path.stem, fleet)
        fleet.problems += problems
        if site is None:
            refused.add(str(file.content.get("id", path.stem)))
            continue
        if site.id in described:
            fleet.problems.append(Problem(name, file.place(("id",)), f"the id '{site.id}' is already taken by "
                                          f"{fleet.site_files[site.id]}.", "Give each site an id of its own."))
            refused.add(site.id)
            continue
        described[site.id] = site
        fleet.site_files[site.id] = name
        fleet.problems += _doubts(site, file, path.stem)
        files, problems = check_log_sources(site, file, fleet.folder / "logs", set(fleet.profiles), broken_profiles)
        fleet.log_files[site.id] = files
        fleet.problems += problems
    fleet.problems += check_claims(described, fleet.log_files, fleet.site_files, fleet.folder / "logs")
    in_error = {problem.file for problem in fleet.errors}
    refused |= {site_id for site_id in described if fleet.site_files[site_id] in in_error}
    fleet.sites = {site_id: site for site_id, site in described.items() if site_id not in refused}
    fleet.refused = sorted(refused)
    return described


def _site_of(file: TomlFile, stem: str, fleet: Fleet) -> tuple[Site | None, list[Problem]]:
    written, problems = _resolved(file, fleet.equipment)
    written.setdefault("id", stem)
    if fleet.company.timezone is not None:
        written.setdefault("timezone", fleet.company.timezone)
    owner = written.get("owner", {})
    if isinstance(owner, Mapping):
        written["owner"] = {"language": fleet.company.language, "volume_unit": _VOLUME_UNIT[fleet.company.units],
                            **owner}
    site, more = check(Site, written, file)
    hidden = {problem.where for problem in problems}
    problems += [problem for problem in more if problem.where not in hidden]
    return (None if problems else site), problems


def _resolved(file: TomlFile, equipment: Equipment) -> tuple[dict[str, Any], list[Problem]]:
    """Replace equipment keys by what they name; a key that names nothing is taken out and reported."""
    written, problems = dict(file.content), []
    for kind in ("pump", "drive"):
        if kind in written:
            written[kind], wrong = equipment.resolve(kind, written[kind], file, (kind,))
            problems += wrong
    array = written.get("array")
    if isinstance(array, Mapping) and "module" in array:
        module, wrong = equipment.resolve("module", array["module"], file, ("array", "module"))
        written["array"] = {**array, "module": module}
        problems += wrong
    return written, problems


def _doubts(site: Site, file: TomlFile, stem: str) -> list[Problem]:
    problems = []
    if site.id != stem:
        problems.append(Problem(file.name, file.place(("id",)), f"the id '{site.id}' is not the name of the file.",
                                f"Name the file {site.id}.toml so that it is found.", "warning"))
    for doubt in suspicions(site):
        loc = tuple(doubt.where.split("[")[0].split("."))
        written = file.as_written(Site, (), loc)
        problems.append(Problem(file.name, file.place(written), doubt.says, doubt.mend, "warning"))
    return problems
