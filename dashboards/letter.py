"""
The owner's monthly letter as one e-mail: text, HTML and a picture; the same input gives the same bytes.

The answer stands first, then the water, the sun, the pump or the weather, what to do, what we do, how sure we are.
"""

import hashlib
import math
import re
from datetime import date, datetime
from email.errors import HeaderParseError
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime

from dashboards.letter_month import Month, MonthKnown, Sender, Verdict, count_month
from dashboards.letter_picture import DayBar, PictureWords, letter_picture
from dashboards.letter_words import LetterText, letter_in_words
from dashboards.rendering import html_page
from dashboards.shown import clean
from diagnostics.consequence import RankingRules
from diagnostics.results import SiteDiagnosis
from diagnostics.site import Site
from diagnostics.units import convert

# Encoded lines end at 76 characters (RFC 2045, 6.7); the standard library's SMTP policy lets them grow to 78.
_WIRE = SMTP.clone(max_line_length=76)
_SIGN: dict[Verdict, str] = {"working": "✔", "less": "▼", "not_working": "✖", "unknown": "?"}


class LetterError(ValueError):
    """A letter that cannot be addressed or dated; the message says which site and how to mend it."""


def monthly_letter(site: Site, diagnosis: SiteDiagnosis, *, month: date, sender: Sender, sent_at: datetime,
                   known: MonthKnown | None = None, rules: RankingRules | None = None) -> EmailMessage:
    """
    Write the owner's letter about one calendar month.

    Parameters
    ----------
    site, diagnosis : Site, SiteDiagnosis
        The site, with its owner's address, language and unit; what was worked out up to the end of the month or later.
    month : date
        Any day of the month that the letter is about.
    sender : Sender
        The company.
    sent_at : datetime
        Goes into the Date header; needs a time zone.
    known : MonthKnown, optional
        Sun against usual, water stored, day of the next visit.

    Returns
    -------
    message : EmailMessage
        multipart/alternative: text, and HTML with its picture. Deterministic.

    Raises
    ------
    LetterError
        If the owner has no usable address, or `sent_at` has no time zone.
    """
    if sent_at.tzinfo is None:
        raise LetterError(f"the letter for {site.id} needs a sending time with a time zone.")
    known = known or MonthKnown()
    counted = count_month(site, diagnosis, month)
    text = letter_in_words(counted, sender, known, rules or RankingRules())
    return _mail(site, counted, text, sender, sent_at)


def letter_text(site: Site, diagnosis: SiteDiagnosis, *, month: date, sender: Sender,
                known: MonthKnown | None = None, rules: RankingRules | None = None) -> LetterText:
    """Write the letter's words alone, for a posted sheet or for reading aloud; as `monthly_letter` otherwise."""
    return letter_in_words(count_month(site, diagnosis, month), sender, known or MonthKnown(), rules or RankingRules())


def _picture(month: Month) -> bytes:
    unit, words = month.site.owner.volume_unit, month.words
    bars = []
    for number in range(1, month.days_in_month + 1):
        day = month.first.replace(day=number)
        if day not in month.days.index:
            bars.append(DayBar(number, None, None))
            continue
        row = month.days.loc[day]
        judged = bool(row["judged"]) and not month.on_demand
        called_for = float(row["expected_m3"]) - (float(row["tank_full_m3"]) if row["tank_full_m3"] > 0 else 0.0)
        bars.append(DayBar(number, _in_unit(row["seen_m3"], unit), _in_unit(called_for, unit) if judged else None,
                           row["main_state"] == "tank_full"))
    style = words.words["language"]
    return letter_picture(bars, PictureWords(
        words.say("picture_unit", unit=words.words["unit_name"][unit]), words.say("picture_should_be"),
        words.say("picture_full"), words.say("picture_no_readings"), style["decimal"], style["thousands"]))


def _in_unit(value_m3: float, unit: str) -> float | None:
    return float(convert(value_m3, "m3", unit)) if math.isfinite(value_m3) else None


def _mail(site: Site, month: Month, text: LetterText, sender: Sender, sent_at: datetime) -> EmailMessage:
    picture = _picture(month)
    plain = plain_text(text)
    digest = hashlib.sha256("\0".join((site.id, month.first.isoformat(), sent_at.isoformat(), sender.address,
                                       site.owner.email, plain)).encode() + picture).hexdigest()
    message = EmailMessage(policy=_WIRE)
    message["From"] = _address(sender.name, sender.address, f"letter address of {clean(sender.name)}")
    message["To"] = [_address(site.owner.name if number == 0 else "", part, f"owner.email of site {site.id}")
                     for number, part in enumerate(_parts(site.owner.email, site.id))]
    if sender.reply_to:
        message["Reply-To"] = _address(sender.name, sender.reply_to, f"reply address of {clean(sender.name)}")
    message["Subject"] = clean(text.subject)
    message["Date"] = format_datetime(sent_at)
    message["Message-ID"] = f"<{digest[:32]}.{site.id}@{_domain(sender.address)}>"
    message["Auto-Submitted"] = "auto-generated"
    message.set_content(plain, cte="quoted-printable")
    cid = f"month-{digest[:16]}@{_domain(sender.address)}"
    message.add_alternative(
        html_page("letter.html.j2", letter=text, cid=cid, language=month.words.code,
                  direction=month.words.direction, sign=_SIGN[text.verdict]), subtype="html", cte="quoted-printable")
    pages = message.get_payload()
    pages[1].add_related(picture, "image", "png", cid=f"<{cid}>", filename=f"{site.id}-{month.first:%Y-%m}.png",
                         disposition="inline")
    for number, part in enumerate(part for part in message.walk() if part.is_multipart()):
        part["Content-Language"] = month.words.code
        part.set_boundary(f"part-{number}-{digest[32:56]}")
    return message


def plain_text(text: LetterText) -> str:
    """Set the letter as plain text, the same sentences in the same order as on the HTML page."""
    blocks = [f"{_SIGN[text.verdict]} {text.verdict_line.upper()}", f"{text.greeting}\n{text.opening}"]
    for section in text.sections:
        lines = [section.heading.upper()]
        lines += [f"{number}. {item}" for number, item in enumerate(section.items, start=1)]
        lines += [" ".join(section.sentences)] if section.sentences else []
        blocks.append("\n".join(lines))
    return "\n\n".join(blocks) + "\n"


def _parts(addresses: str, site_id: str) -> list[str]:
    parts = [part.strip() for part in re.split(r"[;,]", addresses) if part.strip()]
    if not parts:
        raise LetterError(f"site {site_id} has no owner.email; write one, or leave the site out of the letters.")
    return parts


def _address(name: str, address: str, where: str) -> Address:
    try:
        parsed = Address(display_name=clean(name), addr_spec=address.strip())
    except (ValueError, HeaderParseError, IndexError) as error:
        raise LetterError(f"{where}: {address!r} is not a mail address; write one like name@example.org.") from error
    if not parsed.domain or any(ord(char) < 33 or ord(char) == 127 for char in parsed.addr_spec):
        raise LetterError(f"{where}: {address!r} is not a mail address; write one like name@example.org.")
    return parsed


def _domain(address: str) -> str:
    return address.rsplit("@", 1)[-1].strip()
