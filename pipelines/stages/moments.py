"""The moment a fleet is judged at, and the months people ask for."""

import re
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from pipelines.errors import MomentError

if TYPE_CHECKING:
    from pipelines.fleet import Fleet
    from pipelines.ledger import Ledger

_DAY_IS_OVER_AT = 22                                            # local hour; the sun is down, files come at midnight


def parse_moment(written: str, timezone: str) -> datetime:
    """
    Read '2026-03-31' (the end of that local day), '2026-03-31 14:00' (local) or a time with its own zone, as UTC.

    Raises
    ------
    MomentError
        If the text is none of these.
    """
    text = written.strip()
    try:
        if re.fullmatch(r"\d{4}-\d{2}-\d{2}", text):
            next_day = date.fromisoformat(text) + timedelta(days=1)
            return datetime(next_day.year, next_day.month, next_day.day, tzinfo=ZoneInfo(timezone)).astimezone(UTC)
        moment = datetime.fromisoformat(text)
    except (ValueError, OverflowError) as error:
        raise MomentError(f"'{written}' is not a date or time. Write it like 2026-03-31, '2026-03-31 14:00' (local "
                          "time of the site) or 2026-03-31T11:00:00Z.") from error
    return (moment if moment.tzinfo else moment.replace(tzinfo=ZoneInfo(timezone))).astimezone(UTC)


def parse_day(written: str, option: str) -> date:
    """Read '2026-03-31', the day that an option names."""
    try:
        return date.fromisoformat(written.strip())
    except ValueError as error:
        raise MomentError(f"{option} '{written}' is not a day. Write it like 2026-03-31.") from error


def parse_month(written: str) -> tuple[date, date]:
    """Read '2026-03' and return its first and last day."""
    match = re.fullmatch(r"(\d{4})-(\d{2})", written.strip())
    if not match or not 1 <= int(match[2]) <= 12 or int(match[1]) < 1:
        raise MomentError(f"'{written}' is not a month. Write it like 2026-03.")
    first = date(int(match[1]), int(match[2]), 1)
    return first, last_day_of_month(first)


def last_day_of_month(day: date) -> date:
    """Return the last day of the month in which a day lies."""
    return (day.replace(day=28) + timedelta(days=4)).replace(day=1) - timedelta(days=1)


def last_full_month(as_of: datetime, timezone: str) -> str:
    """Return the newest month, as '2026-03', that was over at a moment at a place."""
    today = as_of.astimezone(ZoneInfo(timezone)).date()
    return f"{today.replace(day=1) - timedelta(days=1):%Y-%m}"


def last_day(as_of: datetime, timezone: str) -> date:
    """Return the last local day that was over at a moment; a day counts as over at 22 h."""
    local = as_of.astimezone(ZoneInfo(timezone))
    return (local + timedelta(hours=24 - _DAY_IS_OVER_AT)).date() - timedelta(days=1)


def whole_days_until(as_of: datetime, timezone: str) -> datetime:
    """Return the midnight that ends the last local day that was over: an unfinished day is judged when it is done."""
    after = last_day(as_of, timezone) + timedelta(days=1)
    return datetime(after.year, after.month, after.day, tzinfo=ZoneInfo(timezone)).astimezone(UTC)


def zone_of(fleet: "Fleet") -> str:
    """Return the company's time zone, or that of most of its sites where none is written."""
    if fleet.company.timezone:
        return fleet.company.timezone
    zones = [site.timezone for site in fleet.sites.values()]
    return max(sorted(set(zones)), key=zones.count) if zones else "UTC"


def check_written(fleet: "Fleet", moment: str | None, month: str | None) -> None:
    """Refuse a moment or month that cannot be read before any work is done on it."""
    if moment is not None:
        parse_moment(moment, zone_of(fleet))
    if month is not None:
        parse_month(month)


def judged_at(written: str | None, fleet: "Fleet", ledger: "Ledger") -> datetime:
    """
    Return the moment the fleet is judged at: the one asked for, or the newest reading in the ledger.

    Files of last year are judged as they stood at their own end. The clock on the wall is asked one thing only: a stamp
    more than a day ahead of it comes from a logger whose clock ran away, and is not taken for the newest.

    Raises
    ------
    MomentError
        If nothing was asked for and the ledger holds no reading.
    """
    if written is not None:
        return parse_moment(written, zone_of(fleet))
    seen = ledger.last_readings(until=datetime.now(UTC) + timedelta(days=1))
    newest = seen.loc[seen["site_id"].isin(list(fleet.sites)), "last_utc"].max()
    if newest != newest:
        raise MomentError("The ledger holds no readings, so there is nothing to judge. Put logger files into logs/, or "
                          "mend what the reading of those there said above; `liftledger check` says which files no "
                          "site claims, `liftledger describe FILE` drafts the profile of an unknown one.")
    return newest.to_pydatetime().replace(tzinfo=UTC)
