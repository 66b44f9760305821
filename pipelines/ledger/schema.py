"""Tables of the ledger. The file can be rebuilt from the archive; the archive never from the file."""

from diagnostics.readings import Mask

SCHEMA_VERSION = 3

# Masks that a file alone can give rise to. Each is one column of bits, bit k for the channel at place k of
# core_channels; most rows hold zeros, which the store packs to nothing.
MASK_COLUMNS: dict[str, Mask] = {"unreadable_bits": Mask.UNREADABLE, "sentinel_bits": Mask.SENTINEL,
                                 "range_bits": Mask.OUT_OF_RANGE, "doubt_bits": Mask.SENSOR_DOUBT,
                                 "clock_bits": Mask.CLOCK}
MOST_CHANNELS = 63

# Where rows come from: one logger of one site.
SOURCES = ("CREATE TABLE IF NOT EXISTS core_sources (source_no INTEGER PRIMARY KEY, site_id VARCHAR NOT NULL, "
           "logger VARCHAR NOT NULL)")

TABLES: tuple[str, ...] = (
    "CREATE TABLE IF NOT EXISTS ledger_facts (name VARCHAR PRIMARY KEY, value VARCHAR)",
    # One row a content and the way it was read. A file seen at two paths is here once.
    """CREATE TABLE IF NOT EXISTS raw_files (
        file_no INTEGER PRIMARY KEY, sha256 VARCHAR NOT NULL, read_as VARCHAR NOT NULL, path VARCHAR NOT NULL,
        size_bytes BIGINT NOT NULL, profile VARCHAR, site_ids VARCHAR[], rows BIGINT, quarantined BIGINT,
        first_utc TIMESTAMP, last_utc TIMESTAMP, status VARCHAR NOT NULL, says VARCHAR, superseded_by INTEGER)""",
    # Every path ever seen, with what is needed to know it again without reading it.
    """CREATE TABLE IF NOT EXISTS raw_paths (
        path VARCHAR NOT NULL, size_bytes BIGINT, mtime_ns BIGINT, sha256 VARCHAR, read_as VARCHAR,
        file_no INTEGER)""",
    """CREATE TABLE IF NOT EXISTS raw_quarantine (
        file_no INTEGER NOT NULL, member VARCHAR, line BIGINT, column_name VARCHAR, value VARCHAR, rule VARCHAR)""",
    SOURCES,
    # One row a file, site, logger and interval; which file's value stands is decided on reading, by a stated rule.
    # A column of its own for every channel that was ever read is added when it is first met. The view core_readings
    # shows the same rows with site and logger by name.
    f"""CREATE TABLE IF NOT EXISTS core_rows (
        source_no INTEGER NOT NULL, interval_end_utc TIMESTAMP NOT NULL, interval_s FLOAT,
        file_no INTEGER NOT NULL, line INTEGER, {', '.join(f'{name} UBIGINT' for name in MASK_COLUMNS)})""",
    "CREATE TABLE IF NOT EXISTS core_channels (channel VARCHAR PRIMARY KEY, place INTEGER NOT NULL)",
    """CREATE TABLE IF NOT EXISTS core_corrections (
        site_id VARCHAR NOT NULL, logger VARCHAR, channel VARCHAR, from_utc TIMESTAMP, until_utc TIMESTAMP,
        kind VARCHAR NOT NULL, value DOUBLE, other_channel VARCHAR, author VARCHAR NOT NULL, reason VARCHAR NOT NULL,
        entered_on DATE)""",
    """CREATE TABLE IF NOT EXISTS core_loggers (
        site_id VARCHAR NOT NULL, logger VARCHAR NOT NULL, totaliser_modulus_m3 DOUBLE,
        PRIMARY KEY (site_id, logger))""",
    # Of sites with an unvented level logger: what is needed to take the air off its pressure.
    """CREATE TABLE IF NOT EXISTS core_wells (
        site_id VARCHAR PRIMARY KEY, level_logger_depth_m DOUBLE NOT NULL, water_density_kg_m3 DOUBLE NOT NULL,
        altitude_m DOUBLE NOT NULL)""",
    """CREATE TABLE IF NOT EXISTS out_diagnoses (
        site_id VARCHAR PRIMARY KEY, made_at_utc TIMESTAMP, software VARCHAR, inputs_digest VARCHAR, verdict VARCHAR,
        verdict_says VARCHAR, notes VARCHAR, frames VARCHAR)""",
    """CREATE TABLE IF NOT EXISTS out_findings (
        site_id VARCHAR, place INTEGER, cause VARCHAR, confidence DOUBLE, onset DATE, last_seen DATE, size DOUBLE,
        size_unit VARCHAR, water_lost_m3_day DOUBLE, urgency VARCHAR, status VARCHAR, record VARCHAR)""",
    """CREATE TABLE IF NOT EXISTS out_states (
        site_id VARCHAR, place INTEGER, state VARCHAR, first_day DATE, last_day DATE, volume_m3 DOUBLE,
        record VARCHAR)""",
    """CREATE TABLE IF NOT EXISTS out_accounts (
        site_id VARCHAR, place INTEGER, first_day DATE, last_day DATE, expected_m3 DOUBLE, seen_m3 DOUBLE,
        record VARCHAR)""",
    """CREATE TABLE IF NOT EXISTS out_proofs (
        site_id VARCHAR, place INTEGER, when_utc TIMESTAMP, cause VARCHAR, outcome VARCHAR, record VARCHAR)""",
    # What the next night of a site goes on from; a cache, see kept_nights.py.
    """CREATE TABLE IF NOT EXISTS kept_nights (
        site_id VARCHAR PRIMARY KEY, software VARCHAR, told VARCHAR, rows_weighed VARCHAR, rows_seen VARCHAR,
        record VARCHAR)""",
    """CREATE TABLE IF NOT EXISTS run_log (
        started_utc TIMESTAMP, ended_utc TIMESTAMP, what VARCHAR, software VARCHAR, says VARCHAR, record VARCHAR)""",
)

READINGS_VIEW = ("CREATE OR REPLACE VIEW core_readings AS SELECT s.site_id, s.logger, r.* EXCLUDE (source_no) "
                 "FROM core_rows r JOIN core_sources s USING (source_no)")

# From the layout before: site and logger stood as text in every row.
FROM_LAYOUT_2: tuple[str, ...] = (
    "ALTER TABLE core_readings RENAME TO older_readings",
    SOURCES,
    "INSERT INTO core_sources SELECT row_number() OVER (ORDER BY site_id, logger), site_id, logger FROM "
    "(SELECT DISTINCT site_id, logger FROM older_readings)",
    "CREATE TABLE core_rows AS SELECT s.source_no, r.* EXCLUDE (site_id, logger) FROM older_readings r "
    "JOIN core_sources s USING (site_id, logger) ORDER BY r.rowid",
    "ALTER TABLE core_rows ALTER source_no SET NOT NULL",
    "DROP TABLE older_readings")
