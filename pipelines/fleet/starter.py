"""A small fleet folder to begin with: an invented company and site, every line of it explained."""

from pathlib import Path

from pipelines.errors import DescriptionError
from pipelines.fleet.service_log import COLUMNS

_FLEET = '''\
# The company. Lines that begin with # are remarks; take the # away to use a line.

name = "Tamarind Flat Well Service"
language = "en"                      # of the owners' letters, unless a site says otherwise
units = "metric"                     # metric, us or imperial: default of pages and letters
timezone = "Africa/Nairobi"          # IANA name; a site may name its own

# What a cubic metre is worth, so that losses can be told in money.
# water_value_per_m3 = 1.20
# currency = "USD"

[letters]
sender = "pumps@tamarind-flat.example"        # the owners' letters come from here
sender_name = "Tamarind Flat Well Service"
reply_to = "desk@tamarind-flat.example"       # somebody reads this
phone = "+000 000 000, 7 to 17 h"

[alerts]                             # who is told: service_desk, field_crew, claims, manager
service_desk = ["desk@tamarind-flat.example"]

# [depot]                            # where the truck starts
# latitude_deg = -2.31
# longitude_deg = 37.05

# A threshold of the program set otherwise, with the reason; it is printed beside every result.
# [thresholds]
# silent_after_hours = {value = 96, why = "Memory cards are collected twice a week."}
'''

_SITE = '''\
# One site. The file's name is the id of the site: acacia-bend.
# The ending of a key is its unit: depth_m is metres, depth_ft feet. Use the one your sheet was written in, never both.

name = "Acacia Bend"
latitude_deg = -2.25                 # south is negative
longitude_deg = 37.10                # west is negative
altitude_m = 1180
installed_on = 2025-02-14
# aquifer = "upper valley"           # sites with the same word share groundwater
# region = "north road"              # sites with the same word share weather

# Pump, drive and module are described in equipment/ and named here by their key.
pump = "c10"
drive = "t1100"                      # write "direct" where the motor hangs on the array without electronics
# Where one figure differs at this site:
# drive = {key = "t1100", start_power_w = 180}

[array]
module = "m320"
modules_in_series = 6                # modules of one string
strings_in_parallel = 1
tilt_deg = 12                        # from horizontal
azimuth_deg = 0                      # clockwise from north: 0 north, 90 east, 180 south, 270 west
cable_length_m = 15                  # one way
cable_cross_section_mm2 = 6

[well]
static_water_level_m = 24.5          # below ground, pump at rest
pump_setting_depth_m = 48            # intake, below ground
well_depth_m = 60
# low_water_probe_depth_m = 46
drawdown_linear_s_m2 = 5000          # drawdown over flow: 5 m at 1 L/s; or drawdown_linear_m_per_l_s = 5

[pipework]
outlet_height_m = 6                  # where the water leaves, above ground at the well

[[pipework.runs]]                    # riser first, then the delivery line; one table a bore
length_m = 48
bore_mm = 40                         # inside

[[pipework.runs]]
length_m = 85
bore_mm = 50

[tank]                               # leave the whole table out where there is none
shape = "vertical_cylinder"
diameter_m = 2.6
height_m = 2.2
full_level_m = 2.0                   # where the float stops the pump

[flow_meter]
kind = "rate"                        # rate, pulse or totaliser
uncertainty_pct = 2.5

[demand]                             # who depends on it: decides which site comes first
people = 120
large_animals = 60

[owner]                              # gets one letter a month
name = "Acacia Bend water committee"
role = "village_committee"
email = "committee@acacia-bend.example"
greeting_name = "committee members"

# What was promised, if a low-output claim may ever have to be judged.
# [guarantee]
# reference = "Offer 17, page 2"
# daily_volume_m3 = 30
# total_dynamic_head_m = 38
# daily_irradiation_kwh_m2 = 6

# One table for each logger of the site: which profile of loggers/ reads it, and which files below logs/ are its.
[[logs]]
profile = "plain-csv"
files = "acacia-bend/*.csv"
'''

_EQUIPMENT = '''\
# Datasheet figures as they are printed, in the unit they are printed in. Any number of tables, in any number of files.

[[module]]
key = "m320"
technology = "mono"
power_w = 320
vmp_v = 33.4
imp_a = 9.58
voc_v = 40.6
isc_a = 10.2
cells_in_series = 60
temperature_coefficient_voc_pct_per_k = -0.29
temperature_coefficient_isc_pct_per_k = 0.05
temperature_coefficient_power_pct_per_k = -0.38

# A pump by points of its printed curve. Pumps can also be described by a table of flow against head and input power
# ([[pump.power_table]]), or by the volume of one turn (displacement_ml_rev).
[[pump]]
key = "c10"
family = "centrifugal_submersible"
stages = 10
rated_speed_rpm = 3000
power_is = "shaft"
curve = [
    {flow_l_s = 0.0, head_m = 80, power_w = 450},
    {flow_l_s = 0.5, head_m = 70, power_w = 760},
    {flow_l_s = 0.9, head_m = 55, power_w = 950},
    {flow_l_s = 1.3, head_m = 30, power_w = 980},
]

[pump.motor]
kind = "brushless_dc"
rated_power_w = 1200
rated_efficiency = 0.82
rated_voltage_v = 190
rated_speed_rpm = 3000

[[drive]]
key = "t1100"
kind = "tracking"
max_input_voltage_v = 300
max_output_power_w = 1200
start_power_w = 150
stop_power_w = 110
restart_delay_s = 120
has_float_input = true
'''

_PROFILE = '''\
# How one kind of logger file is read. This one reads
#
#     time,irradiance,flow,volts,amps
#     2026-03-01 06:10:00,34,0.00,150.1,0.2
#
says = "Comma file with local times, ten minutes a row"
delimiter = ","
decimal = "."

[time]
columns = ["time"]
format = "%Y-%m-%d %H:%M:%S"
zone = "site"                        # local time of the site; "UTC" or "+03:00" where the logger keeps that
stamp = "end"                        # the time is that of the end of the interval

[channels.irradiance]                # the name of the column
channel = "poa_irradiance_w_m2"      # sensor in the plane of the modules

[channels.flow]
channel = "flow_m3_s"
unit = "l_min"                       # the file says litres a minute

[channels.volts]
channel = "array_voltage_v"

[channels.amps]
channel = "array_current_a"
'''

_LOG_HEAD = f"{','.join(COLUMNS)}\n# acacia-bend,2026-03-02 09:40,Amina,washed_array,soiled_array,thick dust\n"

_FILES = {"fleet.toml": _FLEET, "sites/acacia-bend.toml": _SITE, "equipment/equipment.toml": _EQUIPMENT,
          "loggers/plain-csv.toml": _PROFILE, "service-log.csv": _LOG_HEAD}


def write_starter_fleet(folder: Path) -> list[Path]:
    """
    Write a commented fleet folder to begin with, and return its files.

    Raises
    ------
    DescriptionError
        If something stands there already, or the folder cannot be made.
    """
    folder = Path(folder)
    try:
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise DescriptionError("something stands there already.", file=folder,
                                   mend="Name a folder that is new or empty; nothing was written.")
        for name in ("logs/acacia-bend", "weather"):
            (folder / name).mkdir(parents=True)
        written = []
        for name, text in _FILES.items():
            path = folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
            written.append(path)
    except OSError as error:
        raise DescriptionError(f"the folder cannot be written ({error.strerror}).", file=folder,
                               mend="Choose a place you may write to.") from error
    return written
