"""Imported series of light: files in the fleet's weather/, in public formats, as irradiance on level ground."""

import gzip
import tempfile
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from pipelines.errors import LoggerFileError
from pipelines.fleet.problems import Problem, nearest

if TYPE_CHECKING:
    import pandas as pd

    from diagnostics.site import WeatherFile
    from pipelines.fleet.load import Fleet

Stamp = Literal["start", "middle", "end"]
_WEST_OF_GREENWICH = ("surfrad", "solrad")
HIGHEST_W_M2, LOWEST_W_M2 = 1600.0, -20.0


@dataclass(frozen=True)
class _Format:
    """How pvlib reads a format, and where in its interval a row's stamp stands."""

    function: str
    stamp: Stamp
    options: dict[str, Any]


# Stamps as pvlib's pages say; for SURFRAD, SOLRAD, MIDC and PVGIS, which they leave open, as the networks do (memory).
FORMATS: dict[str, _Format] = {
    "bsrn": _Format("read_bsrn", "start", {}),
    "crn": _Format("read_crn", "end", {}),
    "epw": _Format("read_epw", "start", {}),
    "midc": _Format("read_midc", "end", {}),
    "nsrdb_psm4": _Format("read_nsrdb_psm4", "middle", {}),
    "pvgis_hourly": _Format("read_pvgis_hourly", "middle", {}),
    "solrad": _Format("read_solrad", "end", {}),
    "srml": _Format("read_srml", "start", {}),
    "surfrad": _Format("read_surfrad", "end", {}),
    "tmy3": _Format("read_tmy3", "end", {}),
}


@dataclass(frozen=True)
class ImportedSeries:
    """Irradiance on level ground by interval end, and where it holds, as far as the file says. [W/m2, deg, m]"""

    global_horizontal_w_m2: "pd.Series[float]"
    interval_s: float
    latitude_deg: float | None
    longitude_deg: float | None
    altitude_m: float | None


def read_weather_file(path: Path, described: "WeatherFile") -> ImportedSeries:
    """
    Read one file of light.

    Typical years (many `epw` and `tmy3` files) keep the years their months were measured in, so that they say nothing
    of days they did not see.

    Parameters
    ----------
    path : Path
        The file, packed with gzip or not.
    described : WeatherFile
        Its format, and its column where the format leaves that open.

    Raises
    ------
    LoggerFileError
        If the file cannot be read so, or holds no level irradiance.
    """
    import pandas as pd

    form = FORMATS[described.reader]
    try:
        table, told = _read(path, form)
    except Exception as error:                      # a reader meets a foreign file in more ways than can be named
        raise LoggerFileError(f"it cannot be read as {described.reader} ({type(error).__name__}: {error}).", file=path,
                         mend=f"Check the format; known: {', '.join(FORMATS)}.") from error
    values = pd.to_numeric(table[_column(table, told, described, path)], errors="coerce").astype("float64")
    index = values.index
    if not isinstance(index, pd.DatetimeIndex) or index.tz is None or len(values) < 2:
        raise LoggerFileError("its rows have no times with a zone.", file=path, mend="Check the format named for it.")
    values = values.set_axis(index.tz_convert("UTC").as_unit("us")).sort_index()
    values = values[~values.index.duplicated()]
    values = values.where((values >= LOWEST_W_M2) & (values <= HIGHEST_W_M2)).clip(lower=0.0)
    step = float(values.index.to_series().diff().dt.total_seconds().median())
    behind = {"start": step, "middle": step / 2.0, "end": 0.0}[form.stamp]
    series = values.set_axis(pd.DatetimeIndex(values.index) + pd.Timedelta(seconds=behind))
    place = {str(key).lower(): value for key, value in told.items()}
    east = _number(place, "longitude")
    if east is not None and described.reader in _WEST_OF_GREENWICH:
        east = -abs(east)                           # older headers of these networks count west as positive
    return ImportedSeries(series.rename("global_horizontal_w_m2"), step, _number(place, "latitude"), east,
                          _number(place, "altitude", "elevation"))


def _read(path: Path, form: _Format) -> "tuple[pd.DataFrame, dict[str, Any]]":
    from pvlib import iotools

    reader: Callable[..., Any] = getattr(iotools, form.function)
    with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        plain = path
        if path.suffix == ".gz":
            plain = Path(folder) / path.stem
            plain.write_bytes(gzip.decompress(path.read_bytes()))
        found = reader(str(plain), **form.options)
    return found if isinstance(found, tuple) else (found, {})


def _column(table: "pd.DataFrame", told: dict[str, Any], described: "WeatherFile", path: Path) -> str:
    if described.column:
        if described.column in table.columns:
            return described.column
        raise LoggerFileError(f"it has no column '{described.column}'.", file=path,
                         mend=f"It has: {', '.join(map(str, table.columns))[:300]}.")
    if described.reader == "pvgis_hourly" and "poa_global" in table.columns and "'value': 0" in str(
            (told.get("inputs") or told).get("mounting_system", "")):
        return "poa_global"                         # a plane that lies level
    level = [str(name) for name in table.columns if str(name) == "ghi" or (
        str(name).startswith("ghi_") and str(name)[4:].isdigit())]
    if not level:
        raise LoggerFileError("it has no global horizontal irradiance.", file=path,
                         mend='Name the column: column = "..." beside the file; it has: '
                              f"{', '.join(map(str, table.columns))[:300]}.")
    return level[0]


def _number(place: dict[str, Any], *names: str) -> float | None:
    for name in names:
        try:
            value = float(place[name])
        except (KeyError, TypeError, ValueError):
            continue
        if value == value:
            return value
    return None


def weather_of(fleet: "Fleet", site_id: str) -> "list[tuple[WeatherFile, Path]]":
    """Return the files of light of a site, those of the company where it names none; only such as are there."""
    inside = {path.relative_to(fleet.folder / "weather").as_posix(): path for path in fleet.weather_files}
    named = fleet.sites[site_id].weather or fleet.company.weather
    return [(one, inside[one.file]) for one in named if one.file in inside]


def check_weather(fleet: "Fleet") -> list[Problem]:
    """Name every file of light that a sheet counts on and that is not in weather/; a site is judged without it."""
    inside = {path.relative_to(fleet.folder / "weather").as_posix() for path in fleet.weather_files}
    named = [("fleet.toml", one.file) for one in fleet.company.weather]
    named += [(fleet.site_files[site_id], one.file) for site_id, site in fleet.sites.items() for one in site.weather]
    problems = []
    for name, file in named:
        if file not in inside:
            close = nearest(file, inside)
            problems.append(Problem(name, "weather", f"there is no file weather/{file}.",
                                    f"Did you mean '{close}'?" if close else "Put it there.", "warning"))
    return problems
