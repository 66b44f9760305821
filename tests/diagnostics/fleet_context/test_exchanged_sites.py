"""Two sites that hold each other's readings: told by what their equipment can give, by light, by start; else not."""

from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest
from made_readings import centrifugal_site

from diagnostics.fleet_context import fleet_context
from diagnostics.fleet_context.exchanged_sites import exchanged_by_pattern, exchanged_sites
from diagnostics.fleet_context.site_sizes import SIZES, sheet_sizes, sizes_by_day
from diagnostics.proving.drawing import draw_site
from diagnostics.proving.planting import PlantedFault
from diagnostics.proving.simulate import simulate_many
from diagnostics.results import SiteDiagnosis

FIRST, DAYS = date(2025, 3, 1), 30
FAMILIES = {"centrifugal_submersible": "tracking", "diaphragm_submersible": "current_booster",
            "helical_submersible": "tracking", "surface_circulation": "direct", "jet_shallow": "tracking"}


@pytest.fixture(scope="module")
def plants():
    """Five families, array sensors on each; the second gathers dirt, the third wears: sheets and sizes of each."""
    drawn = [draw_site(np.random.default_rng(70 + n), family, drive, number=n, sensors="array", step_s=900.0).truth
             for n, (family, drive) in enumerate(FAMILIES.items())]
    faults = [[], [PlantedFault("soiled_array", 15.0, 0.3)], [PlantedFault("worn_pump", 20.0, 0.3)], [], []]
    ran = simulate_many(drawn, start_day=FIRST, days=DAYS, rng=np.random.default_rng(5), faults=faults,
                        inner_step_s=300.0)
    sites = {one.plant.site.id: one.plant.site for one in ran}
    return sites, {one.plant.site.id: sizes_by_day(one.plant.site, one.readings) for one in ran}


def _apart(sites, one, other):
    """Tell how many times the sheets of two sites differ in voltage or array."""
    usual = [sheet_sizes(sites[name]).usual[:2] for name in (one, other)]
    return float(np.exp(np.abs(np.log(usual[0] / usual[1])).max()))


def _crossed(sizes, one, other, since=None):
    """Put the readings of two sites into each other's place, from a day on."""
    since = since or min(sizes[one].index[0], sizes[other].index[0])
    mixed = {mine: pd.concat([sizes[mine][sizes[mine].index < since], sizes[theirs][sizes[theirs].index >= since]])
             for mine, theirs in ((one, other), (other, one))}
    return sizes | mixed


def test_sound_and_faulty_plants_are_not_told_exchanged(plants):
    sites, sizes = plants
    assert exchanged_sites(sites, sizes) == []


def test_no_size_of_a_plant_is_beyond_what_its_sheet_can_give(plants):
    sites, sizes = plants
    for name, table in sizes.items():
        middle = table[list(SIZES)].median().to_numpy()
        assert not (middle > sheet_sizes(sites[name]).most).any(), name


def test_plants_with_arrays_that_differ_threefold_are_told_and_nothing_else_is(plants):
    sites, sizes = plants
    pairs = [(one, other) for n, one in enumerate(sizes) for other in list(sizes)[n + 1:]]
    far = [pair for pair in pairs if _apart(sites, *pair) > 3.0]
    assert len(far) >= 4
    told = 0
    for pair in pairs:
        found = exchanged_sites(sites, _crossed(sizes, *pair))
        assert all(one.sites == pair for one in found), pair        # never another pair, whoever else is in the fleet
        told += bool(found) and pair in far
    assert told >= 0.75 * len(far)


def test_files_exchanged_from_a_day_on_are_dated(plants):
    sites, sizes = plants
    pair = max(((one, other) for one in sizes for other in sizes if one < other), key=lambda two: _apart(sites, *two))
    since = FIRST + timedelta(days=17)
    found, = exchanged_sites(sites, _crossed(sizes, *pair, since=since))
    assert found.sites == pair and not found.from_first and found.told_by == "sizes"
    assert abs((found.first_day - since).days) <= 2
    assert all(name in found.says for name in pair) and "folder" in found.check
    whole, = exchanged_sites(sites, _crossed(sizes, *pair))
    assert whole.from_first and "[[logs]]" in whole.check
    context = fleet_context(sites, {}, sizes=_crossed(sizes, *pair))
    assert context.exchanged == [whole]


def test_sites_of_like_equipment_cannot_be_told_by_size(plants):
    sites, sizes = plants
    like = {name: sites["plant-0000"].replaced(id=name) for name in ("here", "there")}
    assert exchanged_sites(like, {"here": sizes["plant-0000"], "there": sizes["plant-0000"] * 1.05}) == []


def test_one_site_off_its_sheet_is_no_exchange(plants):
    """A sheet with half the modules in series written down makes one site misfit; no other one answers it."""
    sites, sizes = plants
    array = sites["plant-0000"].array
    half = array.replaced(modules_in_series=max(1, array.modules_in_series // 2))
    assert exchanged_sites(sites | {"plant-0000": sites["plant-0000"].replaced(array=half)}, sizes) == []


def _diagnosis(site_id, light, first=FIRST):
    index = pd.Index([first + timedelta(days=n) for n in range(len(light))], name="day")
    return SiteDiagnosis(site_id, pd.DataFrame({"judged": True, "clear_sky_ratio": light}, index=index),
                         pd.DataFrame(index=index), pd.DataFrame(), [], [], [])


def _two_skies(*, exchanged):
    """Return two groups of three like sites 500 km apart, each under a sky of its own."""
    rng = np.random.default_rng(9)
    sites, diagnoses = {}, {}
    for group, latitude in (("east", 33.0), ("west", 37.5)):
        sky = rng.uniform(0.25, 1.0, 60)
        for n in range(3):
            name = f"{group}-{n}"
            sites[name] = centrifugal_site(id=name, latitude_deg=latitude + 0.05 * n, installed_on=date(2020, 1, 1))
            diagnoses[name] = sky + rng.normal(0.0, 0.03, 60)
    if exchanged:
        diagnoses["east-1"], diagnoses["west-2"] = diagnoses["west-2"], diagnoses["east-1"]
    return sites, {name: _diagnosis(name, light) for name, light in diagnoses.items()}


def test_like_sites_are_told_by_the_light_of_their_neighbours():
    found, = exchanged_by_pattern(*_two_skies(exchanged=True))
    assert found.sites == ("east-1", "west-2") and found.told_by == "light" and found.days == 60
    assert exchanged_by_pattern(*_two_skies(exchanged=False)) == []


def test_like_sites_without_neighbours_are_left_alone():
    sites, diagnoses = _two_skies(exchanged=True)
    alone = ("east-1", "west-2")
    assert exchanged_by_pattern({one: sites[one] for one in alone}, {one: diagnoses[one] for one in alone}) == []


def test_readings_that_begin_with_the_others_installation_are_told():
    old, new = date(2025, 3, 1), date(2025, 6, 10)
    sites = {"old": centrifugal_site(id="old", installed_on=old), "new": centrifugal_site(id="new", installed_on=new)}
    light = np.full(200, 0.8)
    right = {"old": _diagnosis("old", light, old), "new": _diagnosis("new", light, new)}
    wrong = {"old": _diagnosis("old", light, new), "new": _diagnosis("new", light, old + timedelta(days=3))}
    assert exchanged_by_pattern(sites, right) == []
    found, = exchanged_by_pattern(sites, wrong)
    assert set(found.sites) == {"old", "new"} and found.told_by == "start" and "before it was installed" in found.says
    # Two loggers that were both brought late say nothing.
    late = {name: _diagnosis(name, light, date(2025, 9, 1)) for name in sites}
    assert exchanged_by_pattern(sites, late) == []
