"""Light a site does not know itself: sensors of neighbours by distance, and imported series of its weather files."""

import hashlib
import json
from datetime import timedelta
from typing import TYPE_CHECKING

from pipelines.errors import LoggerFileError
from pipelines.fleet.weather_files import ImportedSeries, read_weather_file, weather_of
from pipelines.ledger.archive import sha256_of

if TYPE_CHECKING:
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

    from diagnostics.quality.settings import QualitySettings
    from diagnostics.readings import SiteReadings
    from diagnostics.settings import Settings
    from diagnostics.site import Site, WeatherFile
    from pipelines.fleet import Fleet
    from pipelines.ledger import Ledger

MOST_NEIGHBOURS = 4
# Less sun than this without light costs no day its verdict, and is not worth hanging on other sites' readings. [h]
LEAST_LACK_H = 3.0
# A satellite or reanalysis series, as the chain takes it; one that holds elsewhere is no better than its distance.
IMPORTED_UNCERTAINTY = 0.15
FARTHEST_KM = 200.0
_FACT = "lacks_light:"


class BorrowedLight:
    """
    Whose light stands in for a site's own, for one round over a fleet.

    Whether a site lacks light is kept in the ledger beside its result, so that a site that sees its own sun is not
    worked out anew when a neighbour gets readings, and one that does not is.
    """

    def __init__(self, fleet: "Fleet", ledger: "Ledger", settings: "Settings") -> None:
        self._fleet, self._ledger, self._km = fleet, ledger, settings.neighbour_light_km
        self._with_sensor: set[str] | None = None
        self._read: dict[str, ImportedSeries] = {}
        self._digests: dict[Path, str] = {}

    def digest(self, site: "Site") -> str:
        """Return the digest of all light a site may borrow, empty where it was seen to need none or there is none."""
        if not self._may_borrow(site) or self._known_lack(site.id) is False:
            return ""
        told: list[object] = [[other.model_dump(mode="json"), self._ledger.inputs_digest(other.id)]
                              for other, _ in self._neighbours(site)]
        told += [[one.model_dump(mode="json"), self._sha256_of(path)] for one, path in weather_of(self._fleet, site.id)]
        if not told:
            return ""
        return hashlib.sha256(json.dumps(told, sort_keys=True, default=str).encode()).hexdigest()

    def lend(self, site: "Site", readings: "SiteReadings") -> "tuple[Site, SiteReadings, tuple[str, ...]]":
        """
        Fill the light that a site's own sensors do not give.

        Parameters
        ----------
        site : Site
        readings : SiteReadings
            As the ledger gives them.

        Returns
        -------
        site : Site
            With the uncertainty of what was borrowed, unless its sheet states one.
        readings : SiteReadings
            With the channels that were borrowed: neighbours' first, imported where these know nothing either.
        notes : tuple of str
            Whose light it is, how far away, and for how long.
        """
        if not len(readings.values) or not self._may_borrow(site):
            return site, readings, ()
        missing, lacks = _missing(site, readings, self._fleet.quality_settings())
        self._keep_lack(site.id, lacks)
        if not lacks:
            return site, readings, ()
        lent_site, lent, notes = self._from_neighbours(site, readings, missing)
        lent_site, lent, more = self._from_files(lent_site, lent, missing)
        return lent_site, lent, (*notes, *more)

    def may_lend(self, site: "Site") -> bool:
        """Tell whether there is any light that a site could borrow."""
        return self._may_borrow(site) and bool(self._neighbours(site) or weather_of(self._fleet, site.id))

    def _from_neighbours(self, site: "Site", readings: "SiteReadings", missing: "NDArray[np.bool_]"
                         ) -> "tuple[Site, SiteReadings, tuple[str, ...]]":
        import numpy as np

        from diagnostics.fleet_context import shared_light

        own = readings.sound_array(shared_light.NEIGHBOUR)   # what a profile delivers stands
        index, parts, named = readings.values.index, [], []
        start, end = index[missing][0].to_pydatetime(), index[missing][-1].to_pydatetime()
        for other, away in self._neighbours(site):
            theirs = self._ledger.read_site(other.id, start=start - timedelta(hours=2), end=end + timedelta(hours=1))
            light = (shared_light.level_light(other, _light_of(other, theirs, self._fleet.quality_settings()))
                     if len(theirs.values) else None)
            if light is not None:
                parts.append(shared_light.onto_intervals(light, other, site, index, readings.interval_s))
                named.append((other, away))
        if not parts:
            return site, readings, ()
        blended, doubt = shared_light.by_distance(parts, [away for _, away in named])
        lit = missing & np.isfinite(blended)
        if not lit.any():
            return site, readings, ()
        filled = np.where(np.isfinite(own), own, np.where(lit, blended, np.nan))
        hours = float((readings.interval_s.to_numpy(dtype=float) * lit).sum() / 3600.0)
        says = (f"For {hours:.0f} h of sun its own light is not known; that of "
                f"{', '.join(f'{other.id} ({away:.0f} km)' for other, away in named)} stands in, uncertain by "
                f"{100.0 * doubt:.0f} %.")
        return (with_uncertainty(site, shared_light.NEIGHBOUR, doubt),
                shared_light.with_light(readings, shared_light.NEIGHBOUR, filled), (says,))

    def _from_files(self, site: "Site", readings: "SiteReadings", missing: "NDArray[np.bool_]"
                    ) -> "tuple[Site, SiteReadings, tuple[str, ...]]":
        import numpy as np

        from diagnostics.fleet_context import shared_light

        filled = readings.sound_array(shared_light.IMPORTED)
        lack = missing & ~np.isfinite(readings.sound_array(shared_light.NEIGHBOUR)) & ~np.isfinite(filled)
        notes, doubts = [], []
        for described, path in weather_of(self._fleet, site.id):
            try:
                series = self._series(described, path)
            except LoggerFileError as error:
                notes.append(f"Imported light was not used: {error}")
                continue
            there, away = _place_of(series, site)
            if away > FARTHEST_KM:
                notes.append(f"Imported light was not used: {described.file} holds {away:.0f} km away.")
                continue
            if not self._ledger.read_only:
                self._ledger.archive.keep(path)
            light = shared_light.LevelLight(
                series.global_horizontal_w_m2.index, np.full(len(series.global_horizontal_w_m2), series.interval_s),
                series.global_horizontal_w_m2.to_numpy(dtype=float))
            carried = shared_light.onto_intervals(light, there, site, readings.values.index, readings.interval_s)
            lit = lack & np.isfinite(carried)
            if lit.any():
                filled, lack = np.where(lit, carried, filled), lack & ~lit
                doubts.append(max(IMPORTED_UNCERTAINTY, shared_light.distance_uncertainty(away)))
                hours = float((readings.interval_s.to_numpy(dtype=float) * lit).sum() / 3600.0)
                notes.append(f"For {hours:.0f} h of sun no light is known here or near by; imported {described.file} "
                             f"stands in, uncertain by {100.0 * doubts[-1]:.0f} %.")
        if not doubts:
            return site, readings, tuple(notes)
        return (with_uncertainty(site, shared_light.IMPORTED, max(doubts)),
                shared_light.with_light(readings, shared_light.IMPORTED, filled), tuple(notes))

    def _series(self, described: "WeatherFile", path: "Path") -> ImportedSeries:
        key = described.model_dump_json()
        if key not in self._read:
            self._read = {key: read_weather_file(path, described)}          # one at a time: they can be long
        return self._read[key]

    def _sha256_of(self, path: "Path") -> str:
        if path not in self._digests:
            self._digests[path] = sha256_of(path)
        return self._digests[path]

    def _may_borrow(self, site: "Site") -> bool:
        return site.array is not None and "pump" not in site.parts_absent

    def _neighbours(self, site: "Site") -> "list[tuple[Site, float]]":
        """Return the nearest sites with a sensor of light, nearest first."""
        from diagnostics.fleet_context.neighbourhood import distances_km

        others = [other for other in self._fleet.sites.values() if other.id != site.id]
        if self._km <= 0.0 or not others:
            return []
        away = distances_km([site, *others])[0, 1:]
        near = sorted((float(km), other.id) for km, other in zip(away, others, strict=True)
                      if km <= self._km and other.id in self._sites_with_sensor())
        return [(self._fleet.sites[name], km) for km, name in near[:MOST_NEIGHBOURS]]

    def _sites_with_sensor(self) -> set[str]:
        if self._with_sensor is None:
            from diagnostics.fleet_context.shared_light import OWN_LIGHT

            logged = [channel for channel in OWN_LIGHT if channel in self._ledger.channel_places()]
            self._with_sensor = {row[0] for channel in logged for row in self._ledger.sql.execute(
                f'SELECT DISTINCT site_id FROM core_readings WHERE "{channel}" IS NOT NULL').fetchall()}  # noqa: S608
        return self._with_sensor

    def _known_lack(self, site_id: str) -> bool | None:
        found = self._ledger.sql.execute("SELECT value FROM ledger_facts WHERE name = ?", [_FACT + site_id]).fetchone()
        return None if found is None else found[0] == "yes"

    def _keep_lack(self, site_id: str, lacks: bool) -> None:
        if self._known_lack(site_id) is not lacks and not self._ledger.read_only:
            with self._ledger.transaction() as sql:
                sql.execute("INSERT OR REPLACE INTO ledger_facts VALUES (?, ?)",
                            [_FACT + site_id, "yes" if lacks else "no"])


def lacks_light(site: "Site", readings: "SiteReadings", quality: "QualitySettings | None" = None) -> bool:
    """Tell whether a site's own sensors leave so much light unknown that it is borrowed."""
    return bool(len(readings.values)) and _missing(site, readings, quality)[1]


def _missing(site: "Site", readings: "SiteReadings", quality: "QualitySettings | None"
             ) -> "tuple[NDArray[np.bool_], bool]":
    from diagnostics.fleet_context.shared_light import own_light_missing

    missing = own_light_missing(site, _light_of(site, readings, quality))
    return missing, float(readings.interval_s.to_numpy(dtype=float)[missing].sum()) >= LEAST_LACK_H * 3600.0


def with_uncertainty(site: "Site", channel: str, doubt: float) -> "Site":
    """Return a site whose sheet states how sure a borrowed channel is; what the sheet itself states stands."""
    from diagnostics.site import Sensor

    stated = site.sensors.get(channel)
    if stated is not None and stated.uncertainty_pct is not None:
        return site
    sensor = Sensor(uncertainty_pct=min(100.0 * doubt, 100.0))
    return site.model_copy(update={"sensors": {**site.sensors, channel: sensor}})


def _place_of(series: ImportedSeries, site: "Site") -> "tuple[Site, float]":
    """Return a site that stands where a series holds, and how far away; the site itself where the file does not say."""
    from diagnostics.fleet_context.neighbourhood import distances_km

    if series.latitude_deg is None or series.longitude_deg is None:
        return site, 0.0
    there = site.model_copy(update={
        "latitude_deg": series.latitude_deg, "longitude_deg": series.longitude_deg,
        "altitude_m": site.altitude_m if series.altitude_m is None else series.altitude_m})
    return there, float(distances_km([site, there])[0, 1])


def _light_of(site: "Site", readings: "SiteReadings", quality: "QualitySettings | None") -> "SiteReadings":
    """Return only the sensors of light, with the masks of physics as the company sets their thresholds."""
    from diagnostics.fleet_context.shared_light import OWN_LIGHT
    from diagnostics.quality.masking import masked
    from diagnostics.readings import SiteReadings

    kept = [channel for channel in OWN_LIGHT if channel in readings.values.columns]
    part = SiteReadings(readings.site_id, readings.values[kept], readings.masks[kept], readings.interval_s)
    return masked(site, part, settings=quality) if kept else part
