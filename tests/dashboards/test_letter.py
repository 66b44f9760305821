"""The owner's letter: answer first, plain, rounded, safe to send, the same bytes for the same input."""

import email
import email.policy
import io
import re
import string
from dataclasses import replace
from datetime import UTC, date, datetime
from html import unescape

import numpy as np
import pytest
from PIL import Image

from dashboards.letter import LetterError, MonthKnown, Sender, letter_text, monthly_letter, plain_text
from dashboards.wording import Wording, letter_actions, letter_languages, letter_wording
from diagnostics.causes import CAUSES
from diagnostics.consequence import Storage
from diagnostics.results import SiteDiagnosis
from diagnostics.site import Site
from tests.dashboards import sample

SENDER = Sender("Three Wells Service", "letters@threewells.example", "+000 000 000")
SENT = datetime(2025, 9, 1, 6, 0, tzinfo=UTC)
AUGUST = date(2025, 8, 1)
VIEWS = {"clogged": sample.clogged_view, "stopped": sample.stopped_view, "silent": sample.silent_view,
         "sound": sample.sound_view, "bad sensor": sample.bad_sensor_view, "soiled": sample.soiled_view}


def _letter(view, known=None, **owner):
    site = view.site.replaced(owner=view.site.owner.model_dump() | owner)
    return monthly_letter(site, view.diagnosis, month=AUGUST, sender=SENDER, sent_at=SENT, known=known)


def _plain(message) -> str:
    return message.get_body(("plain",)).get_content()


@pytest.mark.parametrize("name", VIEWS)
@pytest.mark.parametrize("language", letter_languages())
def test_letter_says_the_same_in_text_and_on_the_page(name, language):
    message = _letter(VIEWS[name](), language=language)
    html = message.get_body(("html",)).get_content()
    page = re.sub(r"\s+", " ", _without_tags(html))
    for line in _plain(message).splitlines():
        sentence = re.sub(r"^\d\. ", "", line).strip()
        if sentence and not sentence.isupper() and sentence[0] not in "✔▼✖?":
            assert re.sub(r"\s+", " ", sentence) in page


def _without_tags(html: str) -> str:
    return unescape(re.sub(r"<[^>]*>", " ", re.sub(r"<title.*?</title>", "", html, flags=re.S)))


@pytest.mark.parametrize(("name", "verdict"), [
    ("sound", "Working as it should"), ("clogged", "Working less than it should"), ("stopped", "Not working"),
    ("silent", "We do not know")])
def test_answer_stands_first(name, verdict):
    message = _letter(VIEWS[name](), language="en")
    assert verdict.upper() in _plain(message).splitlines()[0]
    assert verdict in message["Subject"]


def test_figures_are_the_months_own():
    view = sample.clogged_view()
    text = _plain(_letter(view))
    august = view.diagnosis.days[[day.month == 8 for day in view.diagnosis.days.index]]
    total = float(f"{august['seen_m3'].sum():.2g}")
    assert f"about {total:.0f} cubic metres of water in August" in text
    expected, delivered = (float(f"{august[august['judged']][name].sum():.2g}") for name in
                           ("expected_m3", "delivered_m3"))
    assert f"we expected about {expected:.0f} cubic metres; you got about {delivered:.0f} cubic metres." in text


def test_us_and_imperial_gallons_are_told_apart():
    # 1 m3 = 264.17 US gal = 219.97 imperial gal (NIST SP 811, appendix B.9); two digits: 12 m3 is 3,200 and 2,600.
    words = letter_wording("en")
    assert words.volume(12.0, "gal_us") == "3,200 US gallons"
    assert words.volume(12.0, "gal_imp") == "2,600 imperial gallons"
    assert words.volume(0.001, "l") == "1 litre"


def test_plural_forms_follow_the_language():
    assert letter_wording("fr").volume(1.5, "m3", 2) == "1,5 mètre cube"        # French: below two is singular (CLDR)
    assert letter_wording("es").volume(1.5, "m3", 2) == "1,5 metros cúbicos"    # Spanish: one alone is singular (CLDR)
    assert letter_wording("en").say("sure_days", count=1.0, days=30) == "We received readings for 1 of 30 days."


def test_language_falls_back_to_its_base_and_then_to_english():
    assert letter_wording("es-MX").code == "es"
    assert letter_wording("xx").code == "en"


def _fields(text: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(text) if name}


def _sentences(words: Wording) -> dict[str, str]:
    return {key: " ".join(held.values()) if isinstance(held, dict) else held
            for key, held in words.words["sentence"].items()}


@pytest.mark.parametrize("language", [code for code in letter_languages() if code != "en"])
def test_every_language_has_every_sentence_with_its_blanks(language):
    english, other = letter_wording("en"), letter_wording(language)
    for table in ("heading", "verdict", "unit", "unit_name", "fraction", "cause", "action"):
        assert set(other.words[table]) == set(english.words[table]), table
    mine, theirs = _sentences(other), _sentences(english)
    assert set(mine) == set(theirs)
    allowed = {key: {"low_volume"} for key in theirs if key.startswith("next_range")}
    for key, sentence in theirs.items():
        wanted, found = _fields(sentence), _fields(mine[key])
        assert found - allowed.get(key, set()) <= wanted, key
        assert wanted - found <= {"low", "month"}, key
    assert other.words["language"]["reviewed_by_native_speaker"] is False


def test_every_cause_has_owner_words_and_every_action_exists():
    words = letter_wording("en")
    assert set(CAUSES) <= set(words.words["cause"])
    for cause, keys in letter_actions().items():
        assert cause in CAUSES, cause
        assert len(keys) <= 3
        assert all(key in words.words["action"] for key in keys), cause


@pytest.mark.parametrize("language", ["en"])
def test_no_jargon_and_no_codes(language):
    for build in VIEWS.values():
        text = _plain(_letter(build(), language=language))
        assert not re.search(r"kWh|STC|\bMPP|irradian|W/m|\b95 %|confidence|[a-z]+_[a-z]+", text), text


def test_at_most_three_things_to_do_and_a_caution_with_them():
    for build in VIEWS.values():
        view = build()
        text = letter_text(view.site.replaced(owner={"email": "a@example.org"}), view.diagnosis, month=AUGUST,
                           sender=SENDER)
        asked = next(section for section in text.sections if section.key == "you")
        assert len(asked.items) <= 3
        assert asked.items or asked.sentences[0] == "Nothing to do."
        if asked.items:
            assert asked.sentences[0].startswith("Please do not open any electric part")


def test_unknown_is_said_and_not_guessed():
    text = _plain(_letter(sample.silent_view(), language="en", known=MonthKnown(storage=Storage(14.8, 11.0, 240.0))))
    assert "We received readings for 21 of 31 days." in text
    assert "Water of 10 days is missing in the figures above; we have not guessed it." in text
    assert "in the tank that you can use" not in text       # the level is ten days old


def test_month_without_any_reading_is_written_too():
    view = sample.silent_view()
    message = monthly_letter(view.site.replaced(owner={"email": "a@example.org"}), view.diagnosis,
                             month=date(2025, 9, 1), sender=SENDER, sent_at=SENT)
    text = _plain(message)
    assert text.startswith("? WE DO NOT KNOW")
    assert "We do not know how much water you got in September." in text


def test_weather_is_told_from_pump():
    sound = _plain(_letter(sample.sound_view(), language="en"))
    assert "So the pump did what the sun and the tank allowed." in sound and "most likely cause" not in sound
    clogged = _plain(_letter(sample.clogged_view()))
    assert "So it is the pump, the well or the pipes, not the sun." in clogged
    soiled = _plain(_letter(sample.soiled_view()))
    assert "So it is the pump" not in soiled


@pytest.mark.parametrize(("ratio", "says"), [
    (0.88, "about a tenth less sun than usual"), (1.21, "about a fifth more sun"),
    (0.5, "only about half of the usual sun"),
    (1.02, "as much sun as usual"),
    (None, "Allowing for the season, there was about")])
def test_sun_against_usual_in_words(ratio, says):
    assert says in _plain(_letter(sample.sound_view(), language="en", known=MonthKnown(sun_vs_usual=ratio)))


def _changed_letter(view, month=AUGUST, **changes):
    changed = replace(view.diagnosis, **changes)
    return plain_text(letter_text(view.site.replaced(owner={}), changed, month=month, sender=SENDER))


def test_month_without_data_blames_nothing():
    text = _changed_letter(sample.clogged_view(), month=date(2025, 9, 1))       # the readings end with August
    assert text.startswith("? WE DO NOT KNOW")
    assert "not the sun" not in text and "cause is" not in text and "It costs you" not in text


def test_full_tank_is_not_to_be_saved():
    view = sample.level_view("hibiscus", "Hibiscus Estate")
    assert "Use water sparingly" in _changed_letter(view)
    days = view.diagnosis.days.assign(main_state="tank_full")
    full = _changed_letter(view, days=days)
    assert "sparingly" not in full
    stopped = sample.stopped_view()
    assert "stored water sparingly" in _changed_letter(stopped)
    half = stopped.diagnosis.days.copy()
    half.loc[half.index[:-3], "main_state"] = "tank_full"
    assert "sparingly" not in _changed_letter(stopped, days=half)


def test_loss_told_is_the_one_the_account_of_that_month_booked():
    view = sample.clogged_view()
    account = view.diagnosis.accounts[-1]
    booked = sum(line.volume_m3 for line in account.lines if line.kind == "cause") / account.judged_days
    shown = letter_wording("en").volume(booked, "m3")
    assert shown != letter_wording("en").volume(view.diagnosis.findings[0].water_lost_m3_day, "m3")
    assert f"It costs you about {shown} of water a day." in _changed_letter(view)
    july = _changed_letter(view, month=date(2025, 7, 1))        # nothing booked, the verdict is "working"
    assert "It costs you" not in july and "not the sun" not in july
    assert "It costs you about 4.3 cubic" in _changed_letter(view, accounts=[])     # the finding's own, no account


def test_range_that_vanishes_by_rounding_is_said_as_one_figure():
    view = sample.sound_view()
    days = view.diagnosis.days.assign(delivered_m3=10.0, tank_full_m3=0.0, expected_m3=10.0)
    text = _changed_letter(view, days=days)
    assert "expect about 10 cubic metres a day" in text and "between 10 and 10" not in text


def test_sky_of_a_first_month_is_compared_with_nothing():
    view = sample.sound_view()
    first = SiteDiagnosis(**{name: getattr(view.diagnosis, name) for name in SiteDiagnosis.__dataclass_fields__}
                          | {"days": view.diagnosis.days.tail(31)})
    text = plain_text(letter_text(view.site.replaced(owner={}), first, month=AUGUST, sender=SENDER))
    assert "We cannot yet say how the sun compares with other years." in text


def test_clearer_sky_than_before_is_said():
    view = sample.sound_view()
    days = view.diagnosis.days.copy()
    august = np.array([day.month == 8 for day in days.index])
    days["clear_sky_ratio"] = np.where(august, 0.9, 0.75)       # 0.9 / 0.75 = 1.2: a fifth more
    changed = SiteDiagnosis(**{name: getattr(view.diagnosis, name) for name in SiteDiagnosis.__dataclass_fields__}
                            | {"days": days})
    text = plain_text(letter_text(view.site.replaced(owner={}), changed, month=AUGUST, sender=SENDER))
    assert "about a fifth more sun than in the months before" in text


def test_stopped_meter_is_neither_a_good_month_nor_a_dry_one():
    view = sample.sound_view()
    days = view.diagnosis.days.assign(delivered_m3=0.0, seen_m3=0.0)
    stuck = sample.sample_finding("euphorbia", "meter_stopped", water_lost_m3_day=0.0)
    changed = replace(view.diagnosis, days=days, findings=[stuck])
    text = plain_text(letter_text(view.site.replaced(owner={}), changed, month=AUGUST, sender=SENDER))
    assert text.startswith("? WE DO NOT KNOW") and "our water meter stood still" in text
    assert "We saw no water" not in text and "you got about 0" not in text and "too few readings" not in text
    assert "It costs you" not in text


def test_site_without_an_array_is_not_told_of_the_sun():
    view = sample.sound_view()
    given = view.site.model_dump(exclude_unset=True)
    wind = {"hub_height_m": 12.0, "power_curve": [(3.0, 0.0), (8.0, 600.0), (12.0, 1500.0)]}
    site = Site.model_validate({key: value for key, value in given.items() if key != "array"}
                               | {"wind": wind, "owner": {}})
    text = plain_text(letter_text(site, view.diagnosis, month=AUGUST, sender=SENDER))
    body = text.split("SMALL PRINT")[0]
    assert " sun" not in body and "With this weather" in body and "If the weather stays" in body


def test_opened_well_asks_for_tested_water():
    view = sample.clogged_view()
    proof = view.diagnosis.proofs[0].model_copy(update={"cause": "clogged_intake", "when_utc": datetime(
        2025, 8, 20, 9, tzinfo=UTC)})
    changed = SiteDiagnosis(**{name: getattr(view.diagnosis, name) for name in SiteDiagnosis.__dataclass_fields__}
                            | {"proofs": [proof]})
    text = plain_text(letter_text(view.site, changed, month=AUGUST, sender=SENDER))
    assert "ask us whether the water was tested before people drink it" in text and "Fixed on 20 August" in text


def test_same_input_same_bytes_and_other_input_other_id():
    one, again = (_letter(sample.clogged_view()).as_bytes() for _ in range(2))
    assert one == again
    other = _letter(sample.clogged_view(), known=MonthKnown(sun_vs_usual=0.7))
    assert other["Message-ID"] != _letter(sample.clogged_view())["Message-ID"]


def test_structure_is_what_mail_readers_expect():
    raw = _letter(sample.clogged_view()).as_bytes()
    message = email.message_from_bytes(raw, policy=email.policy.default)
    assert [part.get_content_type() for part in message.walk()] == [
        "multipart/alternative", "text/plain", "multipart/related", "text/html", "image/png"]
    assert not message.defects and message["Date"].datetime == SENT
    picture = next(part for part in message.walk() if part.get_content_type() == "image/png")
    cid = picture["Content-ID"].strip("<>")
    assert f'src="cid:{cid}"' in message.get_body(("html",)).get_content()
    assert all(len(line) <= 998 for line in raw.split(b"\r\n"))     # RFC 5322, 2.1.1


def test_nothing_in_the_letter_reaches_out():
    html = _letter(sample.clogged_view()).get_body(("html",)).get_content()
    assert not re.search(r"https?://|<script|<a |src=\"(?!cid:)|url\(", html)


@pytest.mark.parametrize("name", [
    sample.NASTY_NAME, "A\r\nBcc: thief@example.org", "B\u2028Bcc: x@example.org", "C\x00D"])
def test_names_from_outside_cannot_add_headers_or_markup(name):
    view = sample.clogged_view()
    site = view.site.replaced(name=name, owner={"email": "a@example.org", "name": name, "greeting_name": name})
    raw = monthly_letter(site, view.diagnosis, month=AUGUST, sender=Sender(name, "l@example.org", name),
                         sent_at=SENT).as_bytes()
    message = email.message_from_bytes(raw, policy=email.policy.default)
    assert message["Bcc"] is None and [a.addr_spec for a in message["To"].addresses] == ["a@example.org"]
    html = message.get_body(("html",)).get_content()
    assert "<script" not in html and "\u202e" not in html


@pytest.mark.parametrize("address", ["", "no-at-sign", "a@b\r\nBcc: c@d.org", "a b@example.org", "@example.org", "a@"])
def test_unusable_address_is_refused_with_the_site_in_the_message(address):
    with pytest.raises(LetterError, match="acacia"):
        _letter(sample.clogged_view(), email=address)


def test_several_recipients():
    message = _letter(sample.clogged_view(), email="a@example.org; b@example.org")
    assert [address.addr_spec for address in message["To"].addresses] == ["a@example.org", "b@example.org"]


def test_answers_go_where_the_company_reads_them():
    view = sample.clogged_view()
    message = monthly_letter(view.site, view.diagnosis, month=AUGUST, sent_at=SENT,
                             sender=Sender("X", "l@example.org", reply_to="desk@example.org"))
    assert message["Reply-To"].addresses[0].addr_spec == "desk@example.org"
    assert _letter(view)["Reply-To"] is None


def test_right_to_left_language_turns_the_page(monkeypatch):
    english = letter_wording("en")
    turned = Wording("ar", english.words | {"language": english.words["language"] | {"direction": "rtl"}})
    monkeypatch.setattr("dashboards.letter_month.letter_wording", lambda language: turned)
    html = _letter(sample.clogged_view()).get_body(("html",)).get_content()
    assert '<html lang="ar" dir="rtl">' in html


def test_sending_time_needs_a_zone():
    view = sample.clogged_view()
    with pytest.raises(LetterError, match="time zone"):
        monthly_letter(view.site, view.diagnosis, month=AUGUST, sender=SENDER, sent_at=datetime(2025, 9, 1))  # noqa: DTZ001


def test_picture_reads_in_black_and_white():
    message = _letter(sample.silent_view())
    picture = next(part for part in message.walk() if part.get_content_type() == "image/png").get_content()
    grey = np.asarray(Image.open(io.BytesIO(picture)).convert("L"))
    shades = np.bincount(grey.ravel(), minlength=256) / grey.size
    assert shades[200:].sum() > 0.5         # paper
    assert shades[95:150].sum() > 0.03      # bars
    assert shades[:60].sum() > 0.005        # lines and words: far darker than the bars


def test_small_letter():
    assert len(_letter(sample.clogged_view()).as_bytes()) < 60_000
    text = plain_text(letter_text(sample.clogged_view().site, sample.clogged_view().diagnosis, month=AUGUST,
                                  sender=SENDER))
    assert len(text.split()) < 420      # read aloud in about three minutes
