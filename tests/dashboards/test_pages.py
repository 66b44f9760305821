"""Pages: what they must say, what must never get through them, what they may weigh."""

import json
import re
from dataclasses import replace
from datetime import timedelta
from html import unescape

import numpy as np
import pandas as pd
import pytest

from dashboards import pages as pages_module
from dashboards.facts import gathered
from dashboards.figures import _rounded
from dashboards.pages import published, render_fleet_page, render_site_page, render_visit_sheet, write_assets
from dashboards.shown import (
    DeskUnits,
    clean,
    confidence_word,
    hours,
    in_desk_words,
    loss,
    number,
    percent,
    significant,
    volume,
    volume_number,
    with_unit,
)
from dashboards.small_pictures import calendar, month_strip
from dashboards.views import fleet_view, site_view
from dashboards.wording import desk
from diagnostics.causes import CAUSES, CAUTIONS
from diagnostics.consequence import CLASS_CODES
from diagnostics.results import DAY_COLUMNS, SiteDiagnosis
from diagnostics.site import Drive, Site
from diagnostics.site.pump import Family
from tests.dashboards import sample


@pytest.fixture(scope="module")
def fleet():
    return sample.sample_fleet()


@pytest.fixture(scope="module")
def pages(fleet):
    return {path: data.decode() for path, data in published(fleet)}


def _words(page: str) -> str:
    without = re.sub(r"<(script|style|svg).*?</\1>", " ", page, flags=re.S)
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]*>", " ", without)))


def _empty_diagnosis(site_id: str) -> SiteDiagnosis:
    return SiteDiagnosis(site_id, pd.DataFrame(), pd.DataFrame(), pd.DataFrame(), [], [], [])


def test_every_site_is_on_the_desk_in_the_order_of_consequence(fleet, pages):
    text = pages["index.html"]
    places = [text.index(f'id="site-{view.site.id}"') for view in fleet.sites
              if view.consequence.class_code != "all_well"]
    assert places == sorted(places) and len(places) >= 7
    assert all(f'href="sites/{view.site.id}.html"' in text for view in fleet.sites)


def test_silent_site_stands_above_bad_data_and_says_so(fleet, pages):
    order = [view.site.id for view in fleet.sites]
    assert order.index("dune") < order.index("fig")
    entry = pages["index.html"].split('id="site-dune"')[1].split("</article>")[0]
    assert "unknown, worst case" in entry and "Nothing heard for 10 days" in entry


def test_desk_answers_what_a_dispatcher_asks(pages):
    text = _words(pages["index.html"])
    for needle in ("Drive stopped or off", "19 m³ a day", "260 large animals", "Ask by phone first",
                   "Which lamp or code does the control box show", "DC fuse", "Caution E1.", "Seen at several sites",
                   "Upper lavas", "Repairs and their proof", "worked", "Not judged, and why", "no irradiance",
                   "2 200 000 readings", "lantana.toml", "Near by"):
        assert needle.replace(" ", "") in re.sub(r"[\s ]", "", text), needle


def test_site_page_leads_from_verdict_to_evidence(pages):
    text = _words(pages["sites/acacia.html"])
    order = [text.index(needle) for needle in (
        "Working less than it should", "Say to the owner", "Findings", "very likely (83 %)", "Evidence", "supports",
        "speaks against", "not enough data", "What else it could be", "What to do", "What the meters should show",
        "Caution E1.", "Delivered against expected", "Flow against power", "Evidence over time", "Water account",
        "Data calendar", "Repairs and their proof", "The site as described", "Where the readings came from")]
    assert order == sorted(order)


def test_account_on_the_page_closes(pages):
    table = re.search(r"<h2 id=\"account\">.*?<tbody>(.*?)</tbody>", pages["sites/acacia.html"], re.S).group(1)
    volumes = [float(re.sub(r"[^\d.\-]", "", cells[0].replace("−", "-"))) for cells in (
        re.findall(r"<td class=\"num\">(.*?)</td>", row) for row in table.split("</tr>")) if cells]
    assert sum(volumes[:-1]) == pytest.approx(volumes[-1], abs=0.051 * len(volumes))
    assert volumes[-1] > 100


def test_every_danger_code_prints_its_fixed_text_on_page_and_sheet(fleet, pages):
    for view in fleet.sites:
        for finding in view.open_findings:
            for code in finding.dangers:
                for path in (f"sites/{view.site.id}.html", f"visits/{view.site.id}.html"):
                    assert sample.CAUTIONS[code] in unescape(pages[path])


def test_unknown_danger_code_is_never_silent():
    view = sample.clogged_view()
    bare = site_view(view.site, view.diagnosis, company="X", as_of=sample.AS_OF, cautions={})
    assert "ask a qualified person before any work" in render_site_page(bare)
    assert "ask a qualified person before any work" in render_fleet_page(
        fleet_view([bare], company="X", as_of=sample.AS_OF))


def test_cautions_default_to_the_reviewed_ones():
    view = sample.clogged_view()
    assert site_view(view.site, view.diagnosis, company="X", as_of=sample.AS_OF).cautions == CAUTIONS


def test_nothing_from_outside_becomes_markup(fleet):
    evil = '<img src=x onerror="alert(1)">'
    view = sample.clogged_view()
    finding = view.diagnosis.findings[0].model_copy(update={
        "next_test": evil, "parts": [evil], "status_says": evil, "field_readings": [evil], "owner_of_cause": evil,
        "size_means": evil, "evidence": [sample.evidence_row(says=evil, source=evil, check=evil)],
        "dangers": [evil]})
    diagnosis = SiteDiagnosis(**{name: getattr(view.diagnosis, name) for name in SiteDiagnosis.__dataclass_fields__}
                              | {"findings": [finding], "verdict_says": evil, "notes": [evil]})
    site = view.site.replaced(name=evil, region=evil, aquifer=evil, note=evil)
    made = site_view(site, diagnosis, company=evil, as_of=sample.AS_OF, cautions={evil: evil},
                     labels={"clogged_intake": evil}, service_events=[
                         event.model_copy(update={"says": evil, "by": evil, "action": evil})
                         for event in view.service_events])
    evil_fleet = fleet_view([made, *fleet.sites], company=evil, as_of=sample.AS_OF, problems=[evil])
    for page in (render_fleet_page(evil_fleet), render_site_page(made), render_visit_sheet(made)):
        assert "<img" not in page and "&lt;img" in page


def test_turning_marks_are_dropped_and_right_to_left_names_kept(pages):
    for path, page in pages.items():
        assert path.startswith("assets") or not re.search("[\u202a-\u202e\u2066-\u2069]", page), path
    assert "<bdi>بئر الزيتون</bdi>" in pages["index.html"]
    assert clean("a\u202eb\r\nc\x00d") == "ab c d"


def test_figures_in_a_page_are_sound_json_and_cannot_end_their_script(pages):
    for path, page in pages.items():
        for held in re.findall(r'<script type="application/json" data-figure="[^"]*">(.*?)</script>', page, re.S):
            assert "<" not in held
            figure = json.loads(held)
            assert figure["data"], path


def test_pages_fetch_nothing_from_afar(pages):
    for path, page in pages.items():
        if path.startswith("assets"):
            continue
        assert not re.search(r"(src|href)=\"(https?:)?//", page), path
        assert not re.search(r"@import|url\(", page), path


def test_shared_script_lies_beside_the_pages(pages):
    written = {}
    write_assets(written.__setitem__)
    assert list(written) == ["assets/plotly.min.js"] and len(written["assets/plotly.min.js"]) > 1_000_000
    assert 'src="assets/plotly.min.js"' in pages["index.html"]
    assert 'src="../assets/plotly.min.js"' in pages["sites/acacia.html"]


def test_pages_are_light(pages):
    heaviest = max((len(page.encode()), path) for path, page in pages.items() if not path.startswith("assets"))
    assert heaviest[0] < 600_000, heaviest


def test_two_years_at_one_site_stay_light():
    days = sample.sample_days(3)
    long = pd.concat([days] * 5).set_axis(
        [stamp.date() for stamp in pd.date_range("2023-09-01", periods=5 * len(days))])
    view = sample.clogged_view()
    diagnosis = SiteDiagnosis(**{name: getattr(view.diagnosis, name) for name in SiteDiagnosis.__dataclass_fields__}
                              | {"days": long, "summaries": sample.sample_summaries(long, 0.2, sample.AS_OF)})
    page = render_site_page(site_view(view.site, diagnosis, company="X", as_of=sample.AS_OF, power=view.power))
    assert len(page.encode()) < 600_000


def test_site_without_any_day_has_its_page():
    view = site_view(sample.sample_site("bare", "Bare"), _empty_diagnosis("bare"), company="X", as_of=sample.AS_OF)
    assert "Not enough data for a verdict" in render_site_page(view)
    assert "That is not a clean bill" in render_site_page(view)
    assert "Bare" in render_visit_sheet(view)
    desk_page = render_fleet_page(fleet_view([view], company="X", as_of=sample.AS_OF))
    assert "No reading has ever come in." in desk_page and "Bare" in desk_page


def test_a_page_that_cannot_be_drawn_does_not_stop_the_others(monkeypatch, fleet):
    drawn, unlucky = pages_module.render_visit_sheet, fleet.sites[0].site.id

    def render(view):
        if view.site.id == unlucky and view.diagnosis.findings:
            raise ValueError("a size beyond what a pump can have")
        return drawn(view)

    monkeypatch.setattr(pages_module, "render_visit_sheet", render)
    with pytest.raises(ValueError, match="a size beyond"):
        list(published(fleet))
    told = dict(published(fleet, failed=lambda view, error: site_view(
        view.site, replace(_empty_diagnosis(view.site.id), verdict_says=str(error)), company="X",
        as_of=sample.AS_OF)))
    assert set(told) == {path for path, _ in published(replace(fleet, sites=fleet.sites[1:]))} | {
        f"sites/{unlucky}.html", f"visits/{unlucky}.html"}
    assert "Worn pump: Shut-in pressure." not in _words(told[f"visits/{unlucky}.html"].decode())


def test_empty_fleet_has_its_page():
    assert "No site wants a visit" in render_fleet_page(fleet_view([], company="X", as_of=sample.AS_OF))


def test_visit_sheet_holds_tests_readings_parts_and_proof(pages):
    text = _words(pages["visits/acacia.html"])
    for needle in ("First test", "Read the outlet pressure", "Worn pump: Shut-in pressure.",
                   "Outlet pressure at noon: 0.6 bar", "strainer 40 mm", "Base kit", "if the repair works",
                   "not yet proven", "For the service log"):
        assert needle in text, needle


def test_sheet_sets_the_findings_own_test_and_readings_before_its_rivals(pages):
    text = _words(pages["visits/acacia.html"])
    rival = CAUSES["blocked_delivery"].readings[0]
    order = [text.index(needle) for needle in (
        "First test", "Read the outlet pressure at full sun", "Outlet pressure at noon: 0.6 bar", "Then, to split off",
        "Gauge at the wellhead while it pumps", clean(rival))]
    assert order == sorted(order)


def test_sheet_sets_meters_side_by_side_in_the_crews_units(fleet):
    view = next(view for view in fleet.sites if view.site.id == "acacia")
    metric, us = (_words(render_visit_sheet(replace(view, units=units))) for units in (
        DeskUnits(), DeskUnits(volume="gal_us", length="ft")))
    for needle in ("Sun 800 W/m²", "Sun 300 W/m²", "Array volts at the drive", "If intake or strainer clogged"):
        assert needle in metric and needle in us, needle
    assert "l/min" in metric and "bar" in metric and "gpm" not in metric
    assert "US gpm" in us and "psi" in us and "l/min" not in us


def _changed(view, **finding):
    changed = view.diagnosis.findings[0].model_copy(update=finding)
    return site_view(view.site, replace(view.diagnosis, findings=[changed]), company="X", as_of=sample.AS_OF)


def test_title_names_every_cause_that_sensors_leave_when_none_is_probable():
    view = sample.clogged_view()
    unsure = _words(render_site_page(_changed(view, confidence=0.41)))
    names = [CAUSES[code].label for code in ("clogged_intake", "blocked_delivery")]
    assert f"1. {names[0]}, or {names[1][:1].lower() + names[1][1:]}: cannot be told apart by these sensors" in unsure
    assert "cannot be told apart" not in _words(render_site_page(_changed(view, confidence=0.83)))


@pytest.mark.parametrize("cause", ["meter_stopped", "meter_under_reading", "meter_over_reading", "unit_mistake"])
def test_doubtful_meter_accuses_no_pump(cause):
    made = _changed(sample.clogged_view(), cause=cause, group=[], water_lost_m3_day=0.0)
    text = _words(render_site_page(made))
    assert "The water meter cannot be trusted" in text and "we do not know how much water the pump gives" in text
    assert "Working less than it should" not in text and "gives less water" not in text
    assert made.diagnosis.verdict_says not in text + _words(render_visit_sheet(made))


def test_calendar_tells_days_apart_without_colour():
    days = sample.sample_days(4, silent_from=sample.AS_OF)
    days.loc[days.index[5], "main_state"] = "stopped"
    cells = [day for week in calendar(days) for day in week.days if day]
    assert len(cells) == len(days)
    signs = {words["sign"] for words in desk()["day_state"].values()}
    patterns = {words["pattern"] for words in desk()["day_state"].values()}
    assert len(signs) == len(patterns) == len(desk()["day_state"])
    assert cells[5].sign == "×" and "stopped" in cells[5].says and cells[-1].sign == "–"


def test_day_states_of_the_contract_all_have_words():
    named = [word.strip() for word in DAY_COLUMNS["main_state"].split("|")]
    assert set(named) == set(desk()["day_state"])


def test_every_code_has_words():
    assert set(CAUSES) <= set(desk()["cause"])
    assert set(CLASS_CODES) == set(desk()["class"])
    assert set(Family.__args__) == set(desk()["family"])
    assert set(Drive.model_fields["kind"].annotation.__args__) == set(desk()["drive"])
    assert set(desk()["phone_first"]) - {"default"} <= set(CAUSES)


def test_same_input_same_page(fleet):
    assert render_fleet_page(fleet) == render_fleet_page(sample.sample_fleet())
    assert render_site_page(sample.clogged_view()) == render_site_page(sample.clogged_view())


@pytest.mark.parametrize(("value", "digits", "shown"), [
    (0.0, 3, "0"), (1234.5, 3, "1 230"), (0.01234, 2, "0.012"), (9.99, 2, "10"), (float("nan"), 3, "–"),
    (-4.04, 2, "−4"), (-4.24, 2, "−4.2"), (1e6, 3, "1 000 000"), (None, 3, "–"), (15.0, 3, "15"), (0.24, 3, "0.24")])
def test_numbers_as_people_read_them(value, digits, shown):
    assert number(value, digits).replace("\u202f", " ") == shown


def test_units_are_converted_at_the_page_alone():
    # 1 m3 = 264.172 US gal, 219.969 imperial gal (NIST SP 811, appendix B.9).
    assert volume(10.0, "gal_us").replace("\u202f", " ") == "2 640 US gal"
    assert volume(10.0, "gal_imp").replace("\u202f", " ") == "2 200 imp. gal"


@pytest.mark.parametrize(("ratio", "shown"), [
    (1.1e-16, "0 %"), (-0.0002, "0 %"), (-0.000425, "0 %"), (0.0042, "0.4 %"), (-0.24, "−24 %")])
def test_shares_are_no_finer_than_anybody_measures(ratio, shown):
    assert percent(ratio).replace("\u202f", " ") == shown


def test_what_arithmetic_left_over_is_nought():
    assert volume_number(1.502e-11) == "0" and volume_number(-1e-13, "gal_us") == "0"
    assert with_unit(3e-14, "w").replace("\u202f", " ") == "0 W" and volume_number(0.24) == "0.24"


def test_interval_that_vanishes_by_rounding_is_left_off():
    assert loss(4.3, 3.5, 5.1).replace("\u202f", " ") == "4.3 m³ (3.5 to 5.1)"
    assert loss(37.85, 37.8, 37.9, "gal_us").replace("\u202f", " ") == "about 10 000 US gal"


@pytest.mark.parametrize(("text", "unit", "shown"), [
    # 1 m3 = 264.172 US gal (NIST SP 811, appendix B.9): 19.9 m3 are 5257 US gal, 24.7 m3 are 6525.
    ("19.9 m3 a day go to it.", "gal_us", "5 260 US gal a day go to it."),
    ("Tank full: 24.7 m3 could have been pumped.", "gal_us", "Tank full: 6 530 US gal could have been pumped."),
    ("3 to 5 m3, 2.5m3.", "l", "3 000 to 5 000 l, 2 500 l."), ("19.9 m3 a day", "m3", "19.9 m³ a day"),
    ("0.9 m3/h at 40 m", "gal_us", "0.9 m³/h at 40 m"), ("kg_m3 stays", "gal_us", "kg_m3 stays"),
    ("Unchanged since 2026-05-11.", "m3", "Unchanged since 11 May 2026."), ("2026-13-40 is no day", "m3",
                                                                         "2026-13-40 is no day"),
    ("-0.0% and 10.0%", "m3", "0% and 10.0%")])
def test_sentences_of_the_diagnosis_take_the_desks_unit_and_dates(text, unit, shown):
    assert in_desk_words(text, unit).replace("\u202f", " ") == shown


def test_page_never_mixes_two_volume_units():
    view = sample.clogged_view()
    diagnosis = replace(view.diagnosis, verdict_says="4.3 m3 a day go to clogged_intake.")
    made = site_view(view.site, diagnosis, company="X", as_of=sample.AS_OF, units=DeskUnits("gal_us", "ft"),
                     service_events=view.service_events)
    text = _words(render_site_page(made)).replace("\u202f", " ")
    assert "1 100 US gal a day go to intake or strainer clogged" in text
    assert not re.search(r"\d ?m[3³](?![/\w])", text)
    assert "3 Jun 2025, 11:00 (Africa/Nairobi time)" in text      # 08:00 UTC; East Africa keeps UTC+3


def test_urgency_and_class_share_one_list_of_words():
    classes = {held["word"] for held in desk()["class"].values()}
    assert set(desk()["urgency"].values()) <= classes


def test_words_for_confidence_and_hours():
    assert [confidence_word(p) for p in (0.96, 0.83, 0.6, 0.45, 0.2, 0.1)] == [
        "almost certain", "very likely", "likely", "about even", "possible", "unlikely"]
    assert hours(float("inf")) == "not falling" and hours(0.2) == "may be empty now" and hours(120.0) == "5 days"
    assert significant(0.0) == 0.0


def test_rounding_of_plot_data_keeps_four_digits():
    values = np.array([0.0, 1234.5678, -0.00123456, np.nan])
    assert _rounded(values, 4) == [0.0, 1235.0, -0.001235, None]


def test_hundreds_of_sites_stay_one_light_page():
    kinds = [sample.clogged_view(), sample.stopped_view(), sample.silent_view(), sample.sound_view()]
    views = [replace(view, site=view.site.replaced(id=f"s{number}", name=f"Site {number}"))
             for number in range(300) for view in [kinds[number // 5 % 4] if number % 5 == 0 else kinds[3]]]
    big = fleet_view(views, company="X", as_of=sample.AS_OF)
    page = render_fleet_page(big)
    assert len(page.encode()) < 600_000
    assert page.count('<svg class="strip"') == sum(view.consequence.class_code != "all_well" for view in views)


def test_strip_shows_what_is_not_known():
    days = sample.sample_days(4, silent_from=sample.AS_OF, gaps=(sample.AS_OF - timedelta(days=3),))
    strip = str(month_strip(days, sample.AS_OF))
    assert strip.count(">?<") == 1 and strip.count(">–<") == 1 and "28 days judged" in strip
    assert strip.count("M") >= 28 and 'class="u" d="M' in strip


def _station():
    site = Site.model_validate({
        "id": "river", "name": "River gauge", "latitude_deg": 52.2, "longitude_deg": 5.3, "altitude_m": 20.0,
        "timezone": "Europe/Amsterdam", "installed_on": "1995-01-14",
        "parts_absent": ["array", "drive", "pump", "well", "pipework"]})
    days = sample.sample_days(1).assign(judged=False, reason="no pump described", main_state="not_judged",
                                        expected_m3=np.nan, delivered_m3=np.nan, seen_m3=np.nan)
    diagnosis = SiteDiagnosis("river", days, pd.DataFrame(), pd.DataFrame(), [], [], [],
                              notes=["Level: 0.41 m higher in one step on 2025-05-25."])
    return site_view(site, diagnosis, company="X", as_of=sample.AS_OF)


def test_station_that_measures_asks_for_no_drive_and_shows_its_record():
    view = _station()
    assert view.consequence.class_code == "all_well"
    text = _words(render_site_page(view))
    assert "Measures, does not pump" in text and "0.41 m higher in one step" in text
    assert "until the tank is empty" not in text and "Water account" not in text and "Say to the owner" not in text
    assert "Measures, does not pump" in _words(render_fleet_page(fleet_view([view], company="X", as_of=sample.AS_OF)))


def test_thirty_years_of_days_stay_one_light_page():
    view = _station()
    days = pd.concat([view.diagnosis.days] * 80)
    days = days.set_axis([stamp.date() for stamp in pd.date_range("1992-01-01", periods=len(days))]).assign(seen_m3=1.0)
    summaries = pd.DataFrame({"drawdown": np.linspace(0.0, 0.5, len(days))}, index=days.index)
    made = site_view(view.site, replace(view.diagnosis, days=days, summaries=summaries), company="X",
                     as_of=sample.AS_OF)
    page = render_site_page(made)
    assert len(page.encode()) < 600_000
    assert f"The last 400 of {len(days)} days are shown" in _words(page)


def test_many_files_with_one_trouble_are_said_once():
    same = [f"a/{month}.csv: lacks the column 'x'; the others were read." for month in range(8)]
    lines = gathered([*same, "b.csv: line 3: 'ERR' not a number.", "a plain sentence"])
    assert lines == ["8 files (a/0.csv and others): lacks the column 'x'; the others were read.",
                     "b.csv: line 3: 'ERR' not a number.", "a plain sentence"]
    assert len(gathered([f"{n}.csv: line {n}" for n in range(100)])) == 21


def test_nothing_inferred_is_said_to_be_certain():
    view = sample.clogged_view()
    sure = view.diagnosis.findings[0].model_copy(update={"confidence": 1.0})
    made = site_view(view.site, replace(view.diagnosis, findings=[sure]), company="X", as_of=sample.AS_OF)
    assert "almost certain (99 %)" in _words(render_site_page(made))


def test_water_nobody_metered_is_not_called_lost():
    view = sample.clogged_view()
    account = view.account
    lines = [line.model_copy(update={"code": "meter_stopped"}) if line.kind == "cause" else line
             for line in account.lines]
    made = site_view(view.site, replace(view.diagnosis, accounts=[account.model_copy(update={"lines": lines})]),
                     company="X", as_of=sample.AS_OF)
    assert "not metered; it may have come" in _words(render_site_page(made))
    assert "not metered" in _words(render_fleet_page(fleet_view([made], company="X", as_of=sample.AS_OF)))


def test_every_table_has_headers_that_a_reader_can_speak(pages):
    for name in ("index.html", "sites/acacia.html", "visits/acacia.html"):
        for table in re.findall(r"<table.*?</table>", pages[name], flags=re.S):
            heads = re.findall(r"<th[ >][^>]*>?", table)
            assert heads, name
            assert all("scope=" in head for head in heads), (name, [head for head in heads if "scope=" not in head])
