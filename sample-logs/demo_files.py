"""The files that the demo's loggers left, each in its own dialect and with its own dirt."""

import gzip
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pandas as pd

from diagnostics.proving.simulate import Plant

Lines = list[str]
A_DAY = pd.Timedelta(days=1)


def write_logs(ran: dict[str, Plant], folder: Path, seed: int) -> int:
    """Write every logger's files anew; return their size in bytes."""
    if folder.exists():
        shutil.rmtree(folder)
    folder.mkdir(parents=True)
    gateway: dict[str, dict[str, Plant]] = {}
    for site_id, plant in ran.items():
        source = plant.plant.site.logs[0]
        rng = np.random.default_rng([seed, 7, *site_id.encode()])
        if source.profile == "gateway-long":
            gateway.setdefault(source.files.split("/")[0], {})[site_id] = plant
        else:
            _WRITERS[source.profile](plant, folder / site_id, rng)
    for name, plants in gateway.items():
        _gateway_long(plants, folder / name, np.random.default_rng([seed, 8, *name.encode()]))
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())


def _save(path: Path, text: str, *, encoding: str = "utf-8") -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    data = text.encode(encoding)
    path.write_bytes(gzip.compress(data, 9, mtime=0) if path.suffix == ".gz" else data)


def _printed(values: pd.Series, digits: int, *, missing: str, comma: bool = False) -> np.ndarray:
    plain = values.to_numpy(dtype=float)
    text = np.char.mod(f"%.{digits}f", np.where(np.isfinite(plain), plain + 0.0, 0.0))
    if digits > 0:
        negative_zero = np.char.equal(text, "-0." + "0" * digits)
        text = np.where(negative_zero, "0." + "0" * digits, text)
    if comma:
        text = np.char.replace(text, ".", ",")
    return np.where(np.isfinite(plain), text, missing)


def _spoil(frame: pd.DataFrame, rng: np.random.Generator, share: float = 0.0008) -> pd.DataFrame:
    """Blank a few cells, as a loose plug does."""
    spoiled = frame.copy()
    for column in spoiled.columns:
        spoiled.loc[rng.random(len(spoiled)) < share, column] = np.nan
    return spoiled


def _weeks(frame: pd.DataFrame) -> Iterator[tuple[str, pd.DataFrame]]:
    iso = frame.index.isocalendar()
    for (year, week), part in frame.groupby([iso["year"], iso["week"]]):
        yield f"{year}-W{week:02d}", part


def _months(frame: pd.DataFrame) -> Iterator[tuple[str, pd.DataFrame]]:
    for month, part in frame.groupby(frame.index.strftime("%Y-%m")):
        yield str(month), part


def _local(plant: Plant, zone: str | None = None) -> pd.DataFrame:
    values = plant.readings.values
    return values.set_axis(values.index.tz_convert(zone or plant.plant.site.timezone))


# -- comma, ISO stamps with offset, weekly ---------------------------------------------------------------------------

_COMMA: dict[str, tuple[str, float, int]] = {
    "poa_irradiance_w_m2": ("poa_W_m2", 1.0, 0), "module_temperature_c": ("module_C", 1.0, 1),
    "array_voltage_v": ("array_V", 1.0, 1), "array_current_a": ("array_A", 1.0, 2),
    "pump_speed_rpm": ("speed_rpm", 1.0, 0), "flow_m3_s": ("flow_L_min", 60000.0, 2),
    "water_level_m": ("well_level_m", 1.0, 2), "outlet_pressure_pa": ("outlet_kPa", 1e-3, 0),
    "tank_level_m": ("tank_level_m", 1.0, 2), "draw_flow_m3_s": ("draw_L_min", 60000.0, 1),
    "tank_full_ratio": ("tank_float", 1.0, 2), "low_water_ratio": ("low_water", 1.0, 2)}


def _weekly_comma(plant: Plant, folder: Path, rng: np.random.Generator) -> None:
    frame = _spoil(_local(plant), rng)
    names = [name for name in _COMMA if name in frame.columns]
    header = ",".join(["time", *(_COMMA[name][0] for name in names), "battery_V"])
    previous: Lines = []
    weeks = list(_weeks(frame))
    for number, (label, part) in enumerate(weeks):
        missing = "-9999"
        cells = [_printed(part[name] * _COMMA[name][1], _COMMA[name][2], missing=missing) for name in names]
        stamps = [stamp.isoformat() for stamp in part.index]
        supply = _printed(pd.Series(12.6 + 0.15 * rng.standard_normal(len(part))), 1, missing=missing)
        rows = [",".join(row) for row in zip(stamps, *cells, supply, strict=True)]
        body = list(rows)
        if number % 5 == 2 and len(body) > 60:                       # header again after a restart
            body.insert(len(body) // 2, header)
        if number % 6 == 3 and len(body) > 100:                      # rows sent twice
            body[90:90] = body[80:86]
        if number % 7 == 4 and previous:                             # overlaps the week before
            body = previous[-40:] + body
        if number % 8 == 5 and len(body) > 50:                       # cells nobody can read
            for at in rng.integers(10, len(body) - 5, 3):
                fields = body[int(at)].split(",")
                if len(fields) > 3 and fields[0] != "time":
                    fields[3] = "ERR"
                    body[int(at)] = ",".join(fields)
        text = "\n".join([header, *body]) + "\n"
        if number == len(weeks) - 3:                                 # cut off in the middle of a line
            text = text[:-(len(body[-1]) // 2) - 1]
        packed = number % 3 != 0
        name = folder / f"{label}.csv{'.gz' if packed else ''}"
        _save(name, text)
        if number == 6:                                              # the same file once more
            _save(folder / f"{label}-resent.csv{'.gz' if packed else ''}", text)
        previous = rows


# -- semicolon, decimal comma, units row, local clock, monthly ------------------------------------------------------

_SEMI: dict[str, tuple[str, str, float, int]] = {
    "poa_irradiance_w_m2": ("G", "W/m2", 1.0, 0), "air_temperature_c": ("Tair", "°C", 1.0, 1),
    "array_voltage_v": ("Uarray", "V", 1.0, 1), "array_current_a": ("Iarray", "A", 1.0, 2),
    "motor_voltage_v": ("Umot", "V", 1.0, 1), "motor_current_a": ("Imot", "A", 1.0, 2),
    "flow_m3_s": ("Pulses", "1", 0.0, 0), "water_level_m": ("Level", "m", 1.0, 2),
    "tank_level_m": ("Tank", "cm", 100.0, 0)}


def _monthly_semicolon(plant: Plant, folder: Path, rng: np.random.Generator) -> None:
    frame = _spoil(_local(plant), rng)
    step, pulse = plant.plant.logger_step_s, plant.plant.site.flow_meter.pulse_volume_m3 or 0.001
    names = [name for name in _SEMI if name in frame.columns]
    header = ";".join(["No", "Date", "Time", *(_SEMI[n][0] for n in names), "Ubat"])
    units = ";".join(["", "", "", *(_SEMI[n][1] for n in names), "V"])
    running = 0
    for number, (label, part) in enumerate(_months(frame)):
        cells = []
        for name in names:
            scale, digits = _SEMI[name][2], _SEMI[name][3]
            values = part[name] * step / pulse if name == "flow_m3_s" else part[name] * scale
            cells.append(_printed(values, digits, missing="---", comma=True))
        stamps = part.index.strftime("%d.%m.%Y;%H:%M")
        supply = _printed(pd.Series(12.9 + 0.2 * rng.standard_normal(len(part))), 1, missing="---", comma=True)
        numbers = np.arange(running, running + len(part)).astype(str)
        running += len(part)
        body = [";".join(row) for row in zip(numbers, stamps, *cells, supply, strict=True)]
        if number % 3 == 1 and len(body) > 2000:                     # memory page read back in the wrong order
            body[1500:1560], body[1440:1500] = body[1440:1500], body[1500:1560]
        if number % 2 == 1 and len(body) > 900:
            body[800:800] = body[790:800]
            fields = body[860].split(";")
            fields[4] = "##,#"
            body[860] = ";".join(fields)
        _save(folder / f"{label}.csv.gz", "\r\n".join([header, units, *body]) + "\r\n", encoding="cp1252")


# -- four-line header, standard time, monthly ----------------------------------------------------------------------

_TABLE: dict[str, tuple[str, str, str, float, int]] = {
    "poa_irradiance_w_m2": ("SlrPlane_Avg", "W/m^2", "Avg", 1.0, 1),
    "module_temperature_c": ("TModule_Avg", "Deg C", "Avg", 1.0, 2),
    "array_voltage_v": ("ArrayVolt_Avg", "Volts", "Avg", 1.0, 2),
    "array_current_a": ("ArrayAmp_Avg", "Amps", "Avg", 1.0, 3),
    "drive_frequency_hz": ("Freq_Avg", "Hz", "Avg", 1.0, 2), "pump_speed_rpm": ("PumpSpeed_Avg", "rpm", "Avg", 1.0, 0),
    "meter_total_m3": ("Water_Tot", "m^3", "Smp", 1.0, 3), "water_level_m": ("WellDepth_Avg", "m", "Avg", 1.0, 3),
    "outlet_pressure_pa": ("OutletPress_Avg", "bar", "Avg", 1e-5, 3),
    "tank_level_m": ("TankLevel_Smp", "m", "Smp", 1.0, 3), "tank_full_ratio": ("FloatFull_Avg", "1", "Avg", 1.0, 3),
    "low_water_ratio": ("LowWater_Avg", "1", "Avg", 1.0, 3),
    "battery_voltage_v": ("BattVolt_Avg", "Volts", "Avg", 1.0, 2),
    "battery_current_a": ("BattAmp_Avg", "Amps", "Avg", 1.0, 2),
    "motor_current_a": ("MotorAmp_Avg", "Amps", "Avg", 1.0, 2)}


def _four_line(plant: Plant, folder: Path, rng: np.random.Generator) -> None:
    frame = _spoil(_local(plant, "Etc/GMT+7"), rng)
    names = [name for name in _TABLE if name in frame.columns]
    columns = ["STAMP", "RECORD", *(_TABLE[n][0] for n in names), "LoggerVolt_Min"]
    head = [f'"TABLE","{plant.plant.site.id}","station-2","quarter_hour"',
            ",".join(f'"{c}"' for c in columns),
            ",".join(f'"{u}"' for u in ("TS", "RN", *(_TABLE[n][1] for n in names), "Volts")),
            ",".join(f'"{u}"' for u in ("", "", *(_TABLE[n][2] for n in names), "Min"))]
    running = 4200
    previous: Lines = []
    for number, (label, part) in enumerate(_months(frame)):
        cells = [_printed(part[n] * _TABLE[n][3], _TABLE[n][4], missing='"NAN"') for n in names]
        stamps = part.index.strftime('"%Y-%m-%d %H:%M:%S"')
        supply = _printed(pd.Series(13.1 + 0.1 * rng.standard_normal(len(part))), 2, missing='"NAN"')
        if number == 3:
            running = 0                                              # the station restarted
        records = np.arange(running, running + len(part)).astype(str)
        running += len(part)
        body = [",".join(row) for row in zip(stamps, records, *cells, supply, strict=True)]
        whole = previous[-96:] + body if number % 2 == 1 else body   # a day delivered again with the next month
        if number == 2 and len(body) > 700:
            fields = whole[600].split(",")
            fields[3] = '"-7999"'
            whole[600] = ",".join(fields)
        _save(folder / f"{label}.dat.gz", "\r\n".join([*head, *whole]) + "\r\n")
        previous = body


# -- long format, UTC, one file for several pumps -------------------------------------------------------------------

_LONG: dict[str, tuple[str, float, int]] = {
    "poa_irradiance_w_m2": ("sun_plane", 1.0, 0), "global_horizontal_irradiance_w_m2": ("sun_level", 1.0, 0),
    "air_temperature_c": ("t_air", 1.0, 1), "array_voltage_v": ("pv_u", 1.0, 1), "array_current_a": ("pv_i", 1.0, 2),
    "flow_m3_s": ("flow", 60000.0, 1), "suction_pressure_pa": ("p_suction", 0.01, 0),
    "outlet_pressure_pa": ("p_outlet", 0.01, 0), "pump_speed_rpm": ("rpm", 1.0, 0), "wind_speed_m_s": ("wind", 1.0, 1),
    "motor_voltage_v": ("mot_u", 1.0, 1), "motor_current_a": ("mot_i", 1.0, 2), "water_level_m": ("well", 1.0, 2),
    "rain_mm_rain": ("rain", 1.0, 1)}


def _gateway_long(plants: dict[str, Plant], folder: Path, rng: np.random.Generator) -> None:
    parts = []
    for plant in plants.values():
        frame = _spoil(plant.readings.values, rng)
        node = plant.plant.site.logs[0].logger_id
        for name, (tag, scale, digits) in _LONG.items():
            if name in frame.columns:
                parts.append(pd.DataFrame({"utc": frame.index, "node": node, "tag": tag,
                                           "value": _printed(frame[name] * scale, digits, missing="null")}))
    rows = pd.concat(parts, ignore_index=True).sort_values(["utc", "node", "tag"], kind="stable").set_index("utc")
    for number, (label, part) in enumerate(_weeks(rows)):
        text = part.index.strftime("%Y-%m-%dT%H:%M:%SZ") + ";" + part["node"] + ";" + part["tag"] + ";" + part["value"]
        body = list(text)
        if number % 4 == 1:                                          # radio packets overtake one another
            at = np.arange(len(body), dtype=float) + rng.uniform(0, 30, len(body)) * (rng.random(len(body)) < 0.02)
            body = [body[i] for i in np.argsort(at, kind="stable")]
        if number % 4 == 2:
            body[500:500] = body[400:460]
        _save(folder / f"gw-{label}.csv.gz", "utc;node;tag;value\n" + "\n".join(body) + "\n")
    if len(plants) > 1:                                              # an interrupted upload: nothing but noise
        noise = rng.integers(0, 256, 4096, dtype=np.uint8).tobytes()
        (folder / "gw-upload-17.csv").write_bytes(noise)


# -- US panel: 12-hour clock, US units, no rows at night -------------------------------------------------------------

_US: dict[str, tuple[str, float, float, int]] = {
    "poa_irradiance_w_m2": ("Sun (W/m2)", 1.0, 0.0, 0), "module_temperature_c": ("Panel Temp (F)", 1.8, 32.0, 1),
    "array_voltage_v": ("PV Volts", 1.0, 0.0, 1), "array_current_a": ("PV Amps", 1.0, 0.0, 2),
    "flow_m3_s": ("Flow (gpm)", 15850.323141, 0.0, 2), "pump_speed_rpm": ("Pump Speed", 1.0, 0.0, 0),
    "motor_voltage_v": ("Motor Volts", 1.0, 0.0, 1), "motor_current_a": ("Motor Amps", 1.0, 0.0, 2),
    "water_level_m": ("Well Depth (ft)", 1 / 0.3048, 0.0, 2),
    "outlet_pressure_pa": ("Outlet (psi)", 1 / 6894.757293, 0.0, 1), "tank_level_m": ("Tank (ft)", 1 / 0.3048, 0.0, 2),
    "rain_mm_rain": ("Rain (in)", 1 / 25.4, 0.0, 2)}


def _us_panel(plant: Plant, folder: Path, rng: np.random.Generator) -> None:
    frame = _spoil(_local(plant), rng)
    hour = frame.index.hour + frame.index.minute / 60
    frame = frame[(hour > 4.4) & (hour < 21.6)]
    names = [name for name in _US if name in frame.columns]
    header = ",".join(["Date", "Time", *(_US[n][0] for n in names), "Status"])
    for number, (label, part) in enumerate(_months(frame)):
        cells = [_printed(part[n] * _US[n][1] + _US[n][2], _US[n][3], missing="N/A") for n in names]
        stamps = part.index.strftime("%m/%d/%Y,%I:%M %p")
        status = np.where(part["flow_m3_s"].fillna(0) > 0, "RUN", "IDLE")
        body = [",".join(row) for row in zip(stamps, *cells, status, strict=True)]
        if number % 2 == 0 and len(body) > 400:
            fields = body[333].split(",")
            fields[4] = "?"
            body[333] = ",".join(fields)
            body[200:200] = body[190:200]
        _save(folder / f"export_{label.replace('-', '_')}.csv{'.gz' if number % 2 else ''}",
              "\r\n".join([header, *body]) + "\r\n")


_WRITERS: dict[str, Callable[[Plant, Path, np.random.Generator], None]] = {
    "weekly-comma": _weekly_comma, "monthly-semicolon": _monthly_semicolon, "four-line-table": _four_line,
    "four-line-battery": _four_line, "us-panel": _us_panel}
