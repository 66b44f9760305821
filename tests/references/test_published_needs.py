"""Needs of those who depend on the water, inside what extension services publish."""

import pytest

from diagnostics.consequence import RankingRules, daily_need
from diagnostics.site import Demand
from diagnostics.units import convert
from tests.references.published import case, table


def in_litres(row):
    return [float(convert(row[end], "gal_us", "l")) if row["unit"].startswith("US gal") else float(row[end])
            for end in ("low", "high")]


# Agriculture and Agri-Food Canada; Kansas State livestock watering handbook; Texas A&M publication E-450.
@pytest.mark.parametrize("herd", ["cow-calf pair", "dry and bred cow", "nursing cow", "cattle on range"])
def test_the_upper_need_of_a_large_animal_covers_what_the_services_publish(herd):
    published = table("10_livestock_water.csv")
    ranges = [in_litres(row) for _, row in published[published["animal"] == herd].iterrows()]
    highest = max(high for _, high in ranges)
    lowest = min(low for low, _ in ranges)
    rules = RankingRules()
    assert lowest < rules.large_animal_usual_m3_day * 1000 < rules.large_animal_upper_m3_day * 1000
    assert rules.large_animal_upper_m3_day * 1000 >= highest


# Agriculture and Agri-Food Canada: sheep 3.6 l a day in winter, 14 l in summer.
def test_the_need_of_a_sheep_lies_between_winter_and_summer():
    published = table("10_livestock_water.csv")
    litres = [value for _, row in published[published["animal"] == "sheep"].iterrows() for value in in_litres(row)]
    rules = RankingRules()
    assert min(litres) <= rules.small_animal_usual_m3_day * 1000 <= max(litres)
    assert min(litres) <= rules.small_animal_upper_m3_day * 1000 <= max(litres)


# 10_worked_sizing.json: 40 cow-calf pairs at the published 68 l of summer, three days of storage.
def test_a_herd_with_a_known_need_is_taken_at_its_word():
    test = case("10_worked_sizing.json", "herd demand")
    litres = test["inputs"]["head"] * test["inputs"]["L_per_head_d"]
    assert litres == test["expected"]["L_d"]
    usual, _ = daily_need(Demand(daily_need_m3=litres / 1000))
    assert usual * test["inputs"]["days_storage"] == pytest.approx(test["expected"]["storage_m3"], abs=1e-9)
    counted, upper = daily_need(Demand(large_animals=test["inputs"]["head"]))
    assert counted <= usual <= upper
