"""Which logger files belong to which site, and whether every site's claims can be true together."""

from collections.abc import Collection, Mapping
from pathlib import Path

from diagnostics.quantities import CHANNELS
from diagnostics.site import Site
from pipelines.fleet.problems import Problem, nearest
from pipelines.fleet.toml_text import TomlFile


def matching_files(logs: Path, pattern: str) -> list[Path]:
    """Return the files below logs/ that a site's pattern means, in a fixed order."""
    return sorted(path for path in logs.glob(pattern) if path.is_file())


def check_log_sources(site: Site, file: TomlFile, logs: Path, profiles: Collection[str],
                      broken_profiles: Collection[str]) -> tuple[list[list[Path]], list[Problem]]:
    """Check what a site says of its loggers; return the files of each source beside the problems."""
    problems: list[Problem] = []
    found: list[list[Path]] = []
    for number, source in enumerate(site.logs):
        at = ("logs", number)
        if source.profile in broken_profiles:
            problems.append(Problem(file.name, file.place((*at, "profile")), f"logger profile '{source.profile}' has "
                                    "errors.", f"Mend them in loggers/{source.profile}.toml."))
        elif source.profile not in profiles:
            close = nearest(source.profile, profiles)
            problems.append(Problem(file.name, file.place((*at, "profile")),
                                    f"no file in loggers/ holds the profile '{source.profile}'.",
                                    f"Did you mean '{close}'?" if close else "Add it there."))
        for column, channel in source.columns.items():
            problems += _check_channel(channel, file, (*at, "columns", column))
        found.append([])
        wrong = _wrong_pattern(source.files)
        if wrong:
            problems.append(Problem(file.name, file.place((*at, "files")), wrong,
                                    "Write a pattern below logs/, for instance 'well-7/*.csv'."))
            continue
        found[-1] = matching_files(logs, source.files)
        if not found[-1]:
            problems.append(Problem(file.name, file.place((*at, "files")), f"no file matches logs/{source.files}.",
                                    "Check the pattern, or put the logger's files there.", "warning"))
    return found, problems


def _wrong_pattern(pattern: str) -> str:
    path = pattern.replace("\\", "/")
    if not path.strip():
        return "the pattern of log files is empty."
    if path.startswith("/") or (len(path) > 1 and path[1] == ":"):
        return f"'{pattern}' is an absolute path."
    parts = path.split("/")
    if ".." in parts:
        return f"'{pattern}' leaves the fleet folder."
    if any("**" in part and part != "**" for part in parts):
        return f"'{pattern}' has '**' inside a name; it can only stand alone between slashes."
    if "\x00" in path:
        return "the pattern holds a character no file name can have."
    return ""


def _check_channel(channel: str, file: TomlFile, at: tuple[str | int, ...]) -> list[Problem]:
    if channel in CHANNELS:
        return []
    from pipelines.ingest.profile import did_you_mean

    return [Problem(file.name, file.place(at), f"'{channel}' is not a known channel.", did_you_mean(channel, CHANNELS))]


def check_claims(sites: Mapping[str, Site], files: Mapping[str, list[list[Path]]], names: Mapping[str, str],
                 logs: Path) -> list[Problem]:
    """
    Find files that two sites claim without a logger_id that tells their rows apart.

    Two sites that read the same file by different profiles take different columns of it, which is no clash.
    """
    claims: dict[tuple[Path, str], dict[str | None, set[str]]] = {}
    for site_id, site in sites.items():
        for source, paths in zip(site.logs, files[site_id], strict=True):
            for path in paths:
                claims.setdefault((path, source.profile), {}).setdefault(source.logger_id, set()).add(site_id)
    clashes: dict[tuple[str, str], list[Path]] = {}
    for (path, _), claimants in claims.items():
        everyone = set().union(*claimants.values())
        for logger_id, same in claimants.items():
            # Without a logger_id a site takes every row, so it clashes with all; with one, only with its like.
            others = everyone if logger_id is None else same
            for one in same:
                for other in others - {one}:
                    pair = (one, other) if one < other else (other, one)
                    if path not in clashes.setdefault(pair, []):
                        clashes[pair].append(path)
    problems = []
    for (one, other), paths in clashes.items():
        shown = f"logs/{paths[0].relative_to(logs).as_posix()}"
        more = f" and {len(paths) - 1} more" if len(paths) > 1 else ""
        for here, there in ((one, other), (other, one)):
            problems.append(Problem(names[here], "logs", f"site '{there}' claims the same file {shown}{more}.",
                                    "Narrow one of the patterns, or give each site the logger_id its rows carry."))
    return problems
