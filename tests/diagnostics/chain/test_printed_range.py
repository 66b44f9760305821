"""No way of describing a pump is run on beyond its printed points without a sentence that says so."""

import pytest

from diagnostics.chain.site_model import SiteModel
from tests.diagnostics.chain import invented_sites as sites


def _notes(site, **well_or_pipes):
    return " ".join(SiteModel.build(site.replaced(**well_or_pipes) if well_or_pipes else site).notes)


def _shorter(site, points):
    return site.replaced(pump={**site.pump.model_dump(exclude_unset=True),
                               "curve": [p.model_dump(exclude_unset=True) for p in points]})


def test_a_curve_cut_short_at_either_end_is_told():
    site = sites.centrifugal()
    whole = site.pump.curve
    assert "beyond the last printed point" not in _notes(site)
    assert "beyond the last printed point" in _notes(_shorter(site, whole[:3]))
    assert "before the first printed point" in _notes(_shorter(site, whole[-3:]))


def test_displacement_against_more_head_than_its_sheet_tells_of():
    site = sites.helical()
    low = site.replaced(pump={**site.pump.model_dump(exclude_unset=True), "rated_head_m": 12.0})
    assert "its sheet tells of" in _notes(low)
    assert "its sheet tells of" not in _notes(site)


def test_table_beyond_its_heads_and_powers():
    site = sites.printed_table()
    heads = [cell.head_m for cell in site.pump.power_table]
    well = {**site.well.model_dump(exclude_unset=True)}
    shift = 1.3 * max(heads)
    deep = site.replaced(well={**well, "static_water_level_m": shift, "pump_setting_depth_m": shift + 60.0,
                               "well_depth_m": shift + 80.0, "low_water_probe_depth_m": None})
    assert "its sheet tells of" in _notes(deep)


@pytest.mark.parametrize("make", sites.ALL)
def test_every_note_is_a_sentence_with_its_numbers(make):
    for note in SiteModel.build(make()).notes:
        assert note.endswith(".") and note[0].isupper()
