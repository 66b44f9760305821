"""Words that loggers write over their columns, and what they usually mean. Used for drafts only, never for reading."""

import re

from diagnostics.quantities import CHANNELS
from diagnostics.units import same_dimension

# Units as written -> unit ending. Compared in lower case without blanks.
UNIT_WORDS: dict[str, str] = {
    "m3/h": "m3_h", "m³/h": "m3_h", "m3/hr": "m3_h", "cbm/h": "m3_h", "m^3/h": "m3_h", "m3/s": "m3_s", "m³/s": "m3_s",
    "l/s": "l_s", "lps": "l_s", "l/min": "l_min", "lpm": "l_min", "ltr/min": "l_min", "l/h": "l_h", "lph": "l_h",
    "m3/d": "m3_day", "m3/day": "m3_day", "m³/d": "m3_day", "gpm": "gpm_us", "gal/min": "gpm_us", "gph": "gph_us",
    "m3": "m3", "m³": "m3", "m^3": "m3", "l": "l", "litre": "l", "liter": "l", "gal": "gal_us",
    "v": "v", "vdc": "v", "volt": "v", "volts": "v", "mv": "mv", "a": "a", "adc": "a", "amp": "a", "amps": "a",
    "ma": "ma", "w": "w", "watt": "w", "watts": "w", "kw": "kw", "hz": "hz", "rpm": "rpm", "1/min": "rpm",
    "u/min": "rpm", "w/m2": "w_m2", "w/m^2": "w_m2", "w/m²": "w_m2", "wm2": "w_m2", "wm-2": "w_m2",
    "w/sqm": "w_m2", "kw/m2": "kw_m2",
    "°c": "c", "degc": "c", "c": "c", "deg_c": "c", "celsius": "c", "ºc": "c", "\ufffdc": "c", "deg": "c", "f": "f",
    "°f": "f", "degf": "f", "k": "k", "m": "m", "cm": "cm", "mm": "mm", "ft": "ft", "feet": "ft", "in": "in",
    "mnap": "m", "m+nap": "m",
    "m/s": "m_s", "ms-1": "m_s", "km/h": "km_h", "mph": "mph", "bar": "bar", "mbar": "mbar", "hpa": "hpa", "kpa": "kpa",
    "pa": "pa", "psi": "psi", "atm": "atm", "millibar": "mbar",
    "millibars": "mbar", "cmh2o": "cm_h2o", "mh2o": "m_h2o", "%": "pct", "pct": "pct",
}

# Names -> channel, in this order; compared in lower case.
CHANNEL_WORDS: tuple[tuple[str, str], ...] = (
    (r"sun.?(level|flat|horiz)", "global_horizontal_irradiance_w_m2"),
    (r"\bpoa|plane|slrplane|\bgti\b|tilt.*irr|incl.*irr", "poa_irradiance_w_m2"),
    (r"\bdni\b|direct.*norm|pyrh|\bdirect", "direct_normal_irradiance_w_m2"),
    (r"\bdhi\b|diffuse", "diffuse_horizontal_irradiance_w_m2"),
    (r"\bghi\b|global|horiz.*(irr|rad)|pyranom|solar.?rad|irradi|insol|^g$", "global_horizontal_irradiance_w_m2"),
    (r"^solar$|^sun(light)?$", "global_horizontal_irradiance_w_m2"),
    (r"mod(ule)?_?\s?t(emp)?|t_?mod|cell.?temp|back.?temp", "module_temperature_c"),
    (r"(air|amb|dry.?bulb|outdoor|outside).*t(emp)?|t_?(air|amb)|^temp(erature)?\b|lufttemp", "air_temperature_c"),
    (r"(drive|inverter|heat.?sink|controller).*temp", "drive_temperature_c"),
    (r"wind.*(sp|vel)|^wind|\bws\b|ws_ms|anemo", "wind_speed_m_s"),
    (r"rain|precip|regen|pluvio", "rain_mm_rain"),
    (r"batt?.*(v|volt|u)\b|bat.*volt|u_?bat", "battery_voltage_v"),
    (r"batt?.*(a|amp|curr|i)\b|i_?bat", "battery_current_a"),
    (r"(str(ing)?_?\s?)1.*(i|a|curr)", "string_1_current_a"), (r"(str(ing)?_?\s?)2.*(i|a|curr)", "string_2_current_a"),
    (r"mot(or)?.*(v|volt|u)\b|u_?mot", "motor_voltage_v"), (r"mot(or)?.*(a|amp|curr|i)\b|i_?mot", "motor_current_a"),
    (r"(array|pv|dc|panel|solar).*(v|volt|u)\b|v_?(dc|pv|array)|u_?(dc|pv|array)|vdc", "array_voltage_v"),
    (r"(array|pv|dc|panel|solar).*(amp|curr|_i|_a|\bi|\ba)\b|i_?(dc|pv|array)|idc", "array_current_a"),
    (r"(array|pv|dc|panel|ac)?.?_?(power|watt|leistung)|^p_?(dc|pv)", "array_power_w"),
    (r"freq|\bhz\b", "drive_frequency_hz"), (r"speed|rpm|drehzahl", "pump_speed_rpm"),
    (r"total|totali[sz]er|cumul|zähler|zaehler|volume", "meter_total_m3"),
    (r"draw|consum|outflow", "draw_flow_m3_s"),
    (r"flow|durchfluss|debit|débit|caudal|discharge|pulse|puls", "flow_m3_s"),
    (r"baro|(air|atm\w*|station|site).?press|luftdruck|luchtdruk", "air_pressure_pa"),
    (r"suction", "suction_pressure_pa"), (r"press|druck|\bp.outlet", "outlet_pressure_pa"),
    (r"(tank|cistern|reservoir).?full|full.?(tank|cistern|reservoir)", "tank_full_ratio"),
    (r"tank|reservoir|cistern|storage", "tank_level_m"),
    (r"well|water.?level|dip|groundwater|grondwater|stijghoogte|piezom|depth|level|stand\b|head", "water_level_m"),
    (r"float|full", "tank_full_ratio"), (r"low.?water|dry.?run|probe", "low_water_ratio"),
    (r"logger.*(v|volt)|supply|v_?log", "logger_supply_v"),
    (r"^u$|volt|^v$", "array_voltage_v"), (r"^i$|curr|amp", "array_current_a"),
)
NOT_A_CHANNEL = (r"factor|stdev|\bstd\b|humid|\brh\b|\bdir(ection)?\b|wdir|zenith|clear ?sky|\bclear\b|\betr\b|"
                 r"\bflag\b|\bcode\b|qualit|\brecord\b|\bno\b|\b(vac|iac|var ?ac)\b|\bac (volt|curr|i|u|v)|"
                 r"accumul|daily|\bgni\b|cell\b.*\bmv|"
                 r"\bmv\b|panel temp c|logger temp|das temp|peak|\bmax\b")
_PROCESSED = re.compile(r"_(avg|mean|tot|smp|med)$", re.IGNORECASE)      # how a logger formed the value of an interval
BRACKETS = re.compile(r"[\[(<{]\s*([^\])>}]+?)\s*[\])>}]")


def unit_word(written: str) -> str | None:
    """Return the unit ending a word stands for, or None."""
    word = written.strip().lower().replace(" ", "").strip(".")
    return UNIT_WORDS.get(word)


def split_column_name(column: str) -> tuple[str, str | None]:
    """Return the name without its unit, and the unit ending if one is written in brackets or at its end."""
    for inside in BRACKETS.findall(column):
        for written in (inside, inside.split(" ")[0]):      # "(cm above datum)"
            if (unit := unit_word(written)) is not None:
                return BRACKETS.sub(" ", column).strip(), unit
    column = _PROCESSED.sub("", column)
    if (unit := unit_word(column)) is not None and column.strip().lower() not in _SYMBOLS:
        return "", unit
    tail = re.split(r"[\s_,]+", column.strip())
    if len(tail) > 1 and tail[-1].lower() == "ms" and re.match(r"ws|wind", tail[0].lower()):
        return " ".join(tail[:-1]), "m_s"
    for size in (2, 1):
        if len(tail) > size and (unit := unit_word("/".join(tail[-size:]))) is not None:
            return " ".join(tail[:-size]), unit
    return column, None


# Where the name alone says too little: (words in the name, unit ending) -> channel.
BY_UNIT: tuple[tuple[str, str, str], ...] = (
    (r"array|pv|panel|solar|dc|module", "v", "array_voltage_v"), (r"array|pv|panel|solar|dc", "a", "array_current_a"),
    (r"array|pv|panel|solar|dc", "w", "array_power_w"), (r"array|pv|panel|solar|dc", "kw", "array_power_w"),
    (r"batt", "v", "battery_voltage_v"), (r"batt", "a", "battery_current_a"),
    (r"mot|pump", "v", "motor_voltage_v"), (r"mot|pump", "a", "motor_current_a"),
    (r"mod|panel|cell", "c", "module_temperature_c"), (r"mod|panel|cell", "f", "module_temperature_c"),
    (r"air|amb|out", "c", "air_temperature_c"), (r"air|amb|out", "f", "air_temperature_c"),
    (r"", "w_m2", "global_horizontal_irradiance_w_m2"), (r"outlet|deliv|disch|head|line", "psi", "outlet_pressure_pa"),
    (r"outlet|deliv|disch|head|line", "bar", "outlet_pressure_pa"),
    (r"outlet|deliv|disch|head|line", "kpa", "outlet_pressure_pa"),
)


# A header of general words alone says no more than its unit; the unit then decides where only one column has it.
_SYMBOLS = ("v", "a", "w", "c", "f", "k", "m", "l", "in")          # as a whole name these are as often symbols
_GENERAL = re.compile(r"(?:dc|pv|array|solar|input|value|sensor|channel|ch|avg|mean|col|column|reading|data|volts?|"
                      r"amps?|watts?|va?dc|adc|[vaw]|\d+|\s)*")
_ONE_OF_UNIT: tuple[tuple[str, str], ...] = (
    ("v", "array_voltage_v"), ("a", "array_current_a"), ("w", "array_power_w"), ("m3_s", "flow_m3_s"),
    ("hz", "drive_frequency_hz"), ("rpm", "pump_speed_rpm"), ("w_m2", "global_horizontal_irradiance_w_m2"),
)


def channel_of_unit(name: str, unit: str) -> str | None:
    """Return the channel of a column that is the only one in its unit and whose name says nothing else, or None."""
    if not _GENERAL.fullmatch(_apart(name)):
        return None
    return next((channel for own, channel in _ONE_OF_UNIT if same_dimension(unit, own)), None)


def candidates(unit: str | None) -> list[str]:
    """Return every channel that can be written in a unit, the usual ones first."""
    if unit is None:
        return []
    fitting = [channel for channel, quantity in CHANNELS.items()
               if same_dimension(unit, quantity.unit_suffix or "ratio")]
    usual = [channel for _, channel in _ONE_OF_UNIT]
    return sorted(fitting, key=lambda channel: channel not in usual)


def likely_channel(column: str, unit: str | None = None) -> str | None:
    """Return the channel a column's name suggests, its unit helping, or None."""
    by_name = _channel_by_name(column)
    if by_name is not None or unit is None or re.search(NOT_A_CHANNEL, _apart(column)):
        return by_name
    return next((channel for words, of_unit, channel in BY_UNIT if of_unit == unit
                 and re.search(words, column.lower())), None)


def _apart(column: str) -> str:
    words = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", column)
    return re.sub(r"[^a-z0-9äöüéà°]+", " ", words.lower()).strip()


def _channel_by_name(column: str) -> str | None:
    lowered = column.lower().strip()
    apart = _apart(column)
    if re.search(NOT_A_CHANNEL, apart):
        return None
    return next((channel for pattern, channel in CHANNEL_WORDS
                 if re.search(pattern, lowered) or re.search(pattern, apart)), None)
