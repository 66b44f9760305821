"""Which files are to be read, by which profile, for which sites."""

import hashlib
import json
import os
import re
import stat
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diagnostics.site import LogSource, Site
from diagnostics.units import convert
from pipelines.ingest.profile import ColumnRule, LoggerProfile

if TYPE_CHECKING:
    from pipelines.fleet import Fleet


@dataclass(frozen=True, slots=True)
class Claim:
    """One reading of a file: by which profile, for which site and logger, of which rows."""

    profile: LoggerProfile
    profile_digest: str
    site_id: str
    logger: str
    logger_id: str | None


@dataclass(slots=True)
class ClaimedFile:
    """A file below logs/ and everybody who reads it."""

    path: Path
    name: str
    claims: list[Claim] = field(default_factory=list)

    @property
    def read_as(self) -> str:
        """Digest of how the file is read; it changes with the profile and the sites."""
        return _digest(sorted([claim.profile_digest, claim.site_id, claim.logger, claim.logger_id or ""]
                              for claim in self.claims))


@dataclass(slots=True)
class Claims:
    """All files of a fleet that somebody reads, and those that nobody does."""

    files: list[ClaimedFile]
    unclaimed: list[str]
    refused: list[str]
    moduli_m3: dict[tuple[str, str], float]


def _digest(content: Any) -> str:
    return hashlib.sha256(json.dumps(content, sort_keys=True, default=str).encode()).hexdigest()[:24]


def claims_of(fleet: "Fleet") -> Claims:
    """Work out which files of a fleet's logs/ are read how; files are in the order of their path."""
    logs = Path(fleet.folder) / "logs"
    there, refused = _files_below(logs)
    found: dict[str, ClaimedFile] = {}
    moduli: dict[tuple[str, str], float] = {}
    digests: dict[int, str] = {}
    kept: list[LoggerProfile] = []

    def add(name: str, profile: LoggerProfile, site: Site, logger: str, logger_id: str | None) -> None:
        if id(profile) not in digests:
            digests[id(profile)] = _digest(profile.model_dump())
            kept.append(profile)
        claimed = found.setdefault(name, ClaimedFile(there[name], name))
        claimed.claims.append(Claim(profile, digests[id(profile)], site.id, logger, logger_id))

    for site in fleet.sites.values():
        keys = [source.profile for source in site.logs]
        for place, source in enumerate(site.logs):
            if source.profile not in fleet.profiles:
                continue
            profile = profile_for(fleet.profiles[source.profile], site, source)
            logger = source.profile if keys.count(source.profile) == 1 else (
                f"{source.profile} {1 + keys[:place].count(source.profile)}")
            modulus = _modulus_m3(profile, site)
            if modulus:
                moduli[site.id, logger] = modulus
            for name in _matching(fleet, site, place, logs, source.files):
                if name in there:
                    add(name, profile, site, logger, source.logger_id)
    _claims_by_profile(fleet, logs, there, found, add)
    unclaimed = sorted(set(there) - set(found))
    return Claims([found[name] for name in sorted(found)], unclaimed, refused, moduli)


def _claims_by_profile(fleet: "Fleet", logs: Path, there: dict[str, Path], found: dict[str, ClaimedFile],
                       add: Any) -> None:
    """Let profiles that name their own files claim those no site sheet has claimed."""
    by_sheet = set(found)
    for key, profile in sorted(fleet.profiles.items()):
        if not profile.site.files:
            continue
        read_for = {site.id: profile_for(profile, site, None) for site in fleet.sites.values()}
        pattern = profile.site.path_pattern
        for name in _names(logs, logs.glob(profile.site.files)):
            if name in by_sheet or name not in there:
                continue
            if pattern:
                match = re.search(pattern, name)
                site_id = match.group("site") if match else ""
                if site_id in fleet.sites:
                    add(name, read_for[site_id], fleet.sites[site_id], key, None)
            elif profile.site.column:
                for site in fleet.sites.values():
                    add(name, read_for[site.id], site, key, site.id)


def _matching(fleet: "Fleet", site: Site, place: int, logs: Path, pattern: str) -> list[str]:
    listed = getattr(fleet, "log_files", {}).get(site.id)
    if listed is not None and place < len(listed):
        return _names(logs, listed[place])
    return _names(logs, logs.glob(pattern))


def _names(logs: Path, paths: Iterable[Path]) -> list[str]:
    top = f"{logs.as_posix().rstrip('/')}/"
    return sorted(path.as_posix().removeprefix(top) for path in paths)


def _files_below(logs: Path) -> tuple[dict[str, Path], list[str]]:
    """Return every file below logs/ by its name there; hidden files and links that lead outside are left out."""
    found: dict[str, Path] = {}
    refused: list[str] = []
    real_top = os.path.realpath(logs)
    for folder, folders, files in os.walk(logs):
        folders[:] = sorted(item for item in folders if not item.startswith("."))
        for file in files:
            if file.startswith("."):
                continue
            path = Path(folder) / file
            name = path.relative_to(logs).as_posix()
            if path.is_symlink() and not os.path.realpath(path).startswith(real_top + os.sep):
                refused.append(f"{name}: is a link to outside the logs folder; copy the file here instead.")
                continue
            if (says := _never_read(path)) is not None:
                refused.append(f"{name}: {says}")
                continue
            found[name] = path
    return found, refused


def _never_read(path: Path) -> str | None:
    """Say why a path is no file to read; None also where it has just vanished, which the reading tells."""
    try:
        mode = path.lstat().st_mode
        if stat.S_ISREG(mode):
            return None
        return None if stat.S_ISREG(path.stat().st_mode) else "is no regular file and is left alone."
    except OSError:
        return "is a link to a file that is gone." if path.is_symlink() else None


def profile_for(profile: LoggerProfile, site: Site, source: LogSource | None) -> LoggerProfile:
    """Return a profile with what the site sheet knows better: zone, extra columns, water of one pulse."""
    channels: dict[str, ColumnRule] = {}
    for column, rule in profile.channels.items():
        if rule.meter == "pulse" and rule.channel == "flow_m3_s" and site.flow_meter.pulse_volume_m3:
            volume = float(convert(site.flow_meter.pulse_volume_m3, "m3", rule.source_unit))
            rule = rule.model_copy(update={"pulse_volume": volume})
        channels[column] = rule
    for column, channel in (source.columns if source else {}).items():
        if channel == "meter_total_m3":
            channels[column] = ColumnRule(channel=channel, meter="totaliser")
        elif channel == "flow_m3_s" and site.flow_meter.kind == "pulse" and site.flow_meter.pulse_volume_m3:
            channels[column] = ColumnRule(channel=channel, meter="pulse", unit="m3",
                                          pulse_volume=site.flow_meter.pulse_volume_m3)
        else:
            channels[column] = ColumnRule(channel=channel)
    time = profile.time
    if time.zone == "site":
        time = time.model_copy(update={"zone": site.timezone})
    if channels == profile.channels and time is profile.time:
        return profile
    return LoggerProfile.model_validate(
        profile.model_copy(update={"channels": channels, "time": time}).model_dump())


def _modulus_m3(profile: LoggerProfile, site: Site) -> float | None:
    if site.flow_meter.totaliser_modulus_m3:
        return site.flow_meter.totaliser_modulus_m3
    for rule in profile.channels.values():
        if rule.meter == "totaliser" and rule.rollover:
            return float(convert(rule.rollover, rule.source_unit, "m3"))
    return None
