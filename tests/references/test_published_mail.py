"""The owner's letter on the wire, against the rules of the internet message format."""

from datetime import date, datetime
from email import message_from_bytes, policy
from email.utils import parsedate_to_datetime

import pandas as pd
import pytest

from dashboards.letter import Sender, monthly_letter
from diagnostics.results import DAY_COLUMNS, SiteDiagnosis
from diagnostics.site import Site
from tests.references.published import case

# RFC 5322 appendix A.1.1 (date), 2.1.1 (line length), 3.6 (headers); RFC 2045 to 2047 (encodings); RFC 2046 (parts).
SENT = datetime.fromisoformat(case("09_email.json", "date header")["inputs"]["instant"])


@pytest.fixture(scope="module")
def wire():
    site = Site.model_validate({
        "id": "letter", "name": "Puits du Débit", "latitude_deg": 0, "longitude_deg": 0, "altitude_m": 0,
        "timezone": "UTC", "installed_on": "2024-01-01",
        "parts_absent": ["array", "drive", "pump", "well", "pipework"],
        "owner": {"name": "Zoë Débit", "email": "owner@example.org", "greeting_name": "Zoë"}})
    days = pd.DataFrame(columns=list(DAY_COLUMNS), index=pd.Index([], name="day"))
    diagnosis = SiteDiagnosis("letter", days, pd.DataFrame(), pd.DataFrame(), [], [], [])
    message = monthly_letter(site, diagnosis, month=date(1997, 10, 1), sent_at=SENT,
                             sender=Sender("Débit & Fils", "desk@example.org"))
    return message.as_bytes()


def head_of(wire):
    return wire.split(b"\r\n\r\n", 1)[0].decode("ascii")


def test_every_line_ends_in_crlf_and_stays_below_the_limits(wire):
    limits = case("09_email.json", "line length")["expected"]
    encoded = case("09_email.json", "base64 and quoted-printable line")["expected"]["max_chars"]
    assert b"\n" not in wire.replace(b"\r\n", b"")
    lines = wire.split(b"\r\n")
    assert max(map(len, lines)) <= limits["hard_limit_chars_without_CRLF"]
    leaves = [part for part in message_from_bytes(wire, policy=policy.SMTP).walk() if not part.is_multipart()]
    assert len(leaves) >= 3
    for part in leaves:
        assert part["Content-Transfer-Encoding"] in ("quoted-printable", "base64")
        assert max(map(len, part.get_payload().splitlines())) <= encoded


def test_the_date_header_is_the_one_of_the_standards_example(wire):
    expected = case("09_email.json", "date header")["expected"]["Date"]
    message = message_from_bytes(wire, policy=policy.SMTP)
    assert f"Date: {expected}" in head_of(wire)
    assert parsedate_to_datetime(message["Date"]) == SENT


def test_headers_that_are_required_are_there_and_none_is_there_twice(wire):
    rule = case("09_email.json", "required header fields")["expected"]
    message = message_from_bytes(wire, policy=policy.SMTP)
    for name in rule["required"]:
        assert message.get_all(name), name
    for name in rule["at_most_once"]:
        assert len(message.get_all(name) or []) <= 1, name


def test_words_outside_ascii_travel_as_encoded_words_of_at_most_75_characters(wire):
    limit = case("09_email.json", "encoded-word")["expected"]["max_chars"]
    words = [word for line in head_of(wire).split("\r\n") for word in line.split() if word.startswith("=?")]
    assert words
    assert max(len(word.rstrip(",")) for word in words) <= limit
    message = message_from_bytes(wire, policy=policy.SMTP)
    assert message["To"].addresses[0].display_name == "Zoë Débit"
    assert message["From"].addresses[0].display_name == "Débit & Fils"


def test_plainest_part_comes_first_and_boundaries_are_short_enough(wire):
    rule = case("09_email.json", "multipart")["expected"]
    message = message_from_bytes(wire, policy=policy.SMTP)
    assert message["MIME-Version"] == rule["MIME-Version"]
    assert message.get_content_type() == "multipart/alternative"
    kinds = [part.get_content_type() for part in message.iter_parts()]
    assert kinds[0] == "text/plain"
    for part in message.walk():
        boundary = part.get_boundary()
        assert boundary is None or len(boundary) <= rule["boundary_max_chars"]
