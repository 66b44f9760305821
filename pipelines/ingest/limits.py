"""Limits for files from outside: each a setting with its range and the reason for its default."""

import hashlib

from pydantic import BaseModel, ConfigDict, Field

# These change how fast a file is read, and nothing of what comes out.
_OF_PACE = {"least_plain_bytes", "max_plain_bytes", "part_chars", "batch_chars", "batch_files", "max_file_bytes"}


class IngestLimits(BaseModel):
    """What a logger file may cost before it is refused."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    max_file_bytes: int = Field(default=4 << 30, ge=1 << 10, le=1 << 40, description="Size as delivered. A 1 s logger "
                                "with 30 channels fills 4 GiB in about a year.")
    max_unpacked_bytes: int = Field(default=8 << 30, ge=1 << 10, le=1 << 42, description="After unpacking gz or zip.")
    max_unpacking_ratio: float = Field(default=200.0, ge=2, le=1100, description="Unpacked over packed size, looked at "
                                       "above 10 MB. Logger text packs 5 to 60 times; deflate can reach 1032.")
    max_archive_members: int = Field(default=2000, ge=1, le=100_000, description="Members of one zip file.")
    max_line_chars: int = Field(default=100_000, ge=200, le=50_000_000, description="Longest line taken as data. A "
                                "day as one line of 1440 minutes with 10 characters each is 15 000.")
    max_columns: int = Field(default=2000, ge=10, le=20_000, description="Columns of one file.")
    max_quarantined_cells: int = Field(default=20_000, ge=10, le=10_000_000, description="Kept one by one for each "
                                       "file; what is beyond is counted. The raw file stays in the archive whole.")
    max_kept_chars: int = Field(default=200, ge=20, le=10_000, description="Length of a bad value kept in quarantine.")
    max_document_bytes: int = Field(default=200 << 20, ge=1 << 10, le=4 << 30, description="xml, json and spreadsheet "
                                    "files are held in memory as a whole.")
    least_plain_bytes: int = Field(default=64 << 10, ge=0, le=4 << 30, description="Smaller files are read line by "
                                   "line at once: below it, looking at a file by itself costs more than it saves.")
    max_plain_bytes: int = Field(default=128 << 20, ge=0, le=4 << 30, description="Files up to this size are taken in "
                                 "one go where every line is a sound row; larger ones in parts of part_chars.")
    part_chars: int = Field(default=24_000_000, ge=1000, le=500_000_000, description="Text held in memory at a time; "
                            "about 300 000 rows of eight columns.")
    batch_chars: int = Field(default=48_000_000, ge=1000, le=1_000_000_000, description="Text of many small files "
                             "loaded in one transaction.")
    batch_files: int = Field(default=1000, ge=1, le=20_000, description="Files loaded in one transaction.")

    @property
    def mark(self) -> str:
        """Short text that differs where files may be read differently; empty for the program's own limits."""
        told = self.model_dump_json(exclude=_OF_PACE)
        if told == type(self)().model_dump_json(exclude=_OF_PACE):
            return ""
        return "-" + hashlib.sha256(told.encode()).hexdigest()[:8]
