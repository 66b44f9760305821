"""The dictionary of channels: every name carries its unit, its range is in that unit, pages have words for it."""

import pytest

from diagnostics.quantities import CHANNELS
from diagnostics.units import UNIT_OF_SUFFIX, same_dimension

# The canonical unit of each kind of quantity; a channel in any other would be held in two units in one house.
CANONICAL = {"w_m2", "c", "m_s", "mm_rain", "v", "a", "w", "rpm", "hz", "m3_s", "m3", "m", "ratio", "pa"}


@pytest.mark.parametrize("quantity", CHANNELS.values(), ids=CHANNELS)
def test_a_channel_is_complete(quantity):
    assert quantity.unit_suffix in UNIT_OF_SUFFIX and quantity.unit_suffix in CANONICAL
    assert quantity.low < quantity.high
    assert quantity.label[0].isupper() and not quantity.label.endswith(".")
    assert quantity.meaning.endswith(".")


def test_labels_are_told_apart():
    labels = [quantity.label for quantity in CHANNELS.values()]
    assert len(labels) == len(set(labels))


def test_each_kind_of_quantity_has_one_canonical_unit():
    suffixes = {quantity.unit_suffix for quantity in CHANNELS.values()}
    clashes = [(one, other) for one in suffixes for other in suffixes if one < other and same_dimension(one, other)]
    assert clashes == []


# Facts that bound what can happen: the world records of air temperature are -89.2 and 56.7 degC (WMO archive); a pump
# site is not in Antarctica. Cloud-edge irradiance up to about 1.6 kW/m2 is common practice, no source. A suction
# pressure cannot pass below -1 atm (101.3 kPa at sea level, standard atmosphere).
def test_ranges_hold_what_can_happen():
    assert CHANNELS["air_temperature_c"].high >= 56.7
    assert 1600 < CHANNELS["poa_irradiance_w_m2"].high <= 2000
    assert -1.2e5 < CHANNELS["suction_pressure_pa"].low <= -101325
    for name in ("tank_full_ratio", "low_water_ratio"):
        assert (CHANNELS[name].low, CHANNELS[name].high) == (0.0, 1.0)
