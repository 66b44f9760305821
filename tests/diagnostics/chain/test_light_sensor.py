"""What part of plane light is beam, held against measured beams; and what the kind of a light sensor changes."""

import gzip
import tempfile
import warnings

import numpy as np
import pandas as pd
import pytest
from pvlib import atmosphere, iam, irradiance
from pvlib.iotools import read_bsrn, read_surfrad
from pvlib.location import Location

from diagnostics.chain.daylight import daylight
from diagnostics.chain.light_sensor import light_that_counts, spectral_factor
from diagnostics.chain.reflection import beam_share_of_plane, reflection_factor
from diagnostics.chain.sun import SunPosition
from diagnostics.expected import light_of
from pipelines.stages.demo import sample_logs_folder
from tests.diagnostics.chain import invented_sites as sites


def _surfrad():
    packed = sample_logs_folder() / "measured/logs/sky-alamosa/surfrad-slv16001.dat.gz"
    with tempfile.NamedTemporaryFile(suffix=".dat") as plain:
        plain.write(gzip.decompress(packed.read_bytes()))
        plain.flush()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")     # pvlib's reader calls pandas in a way that pandas will drop
            data, _ = read_surfrad(plain.name)
    return data, Location(37.70, -105.92, "UTC", 2317)


def _bsrn():
    data, _ = read_bsrn(sample_logs_folder() / "measured/logs/sky-payerne/bsrn-pay0616-first-2-days.dat.gz")
    return data, Location(46.815, 6.944, "UTC", 491)


def _plane_with_known_beam(read, tilt, azimuth):
    """Return plane light made with Perez' model from measured beam, diffuse and global light, and its beam share."""
    data, place = read()
    data = data[["ghi", "dni", "dhi"]].where(data[["ghi", "dni", "dhi"]] > -100.0)
    sun = place.get_solarposition(data.index)
    outside = pd.Series(irradiance.get_extra_radiation(data.index.day_of_year.to_numpy()), index=data.index)
    total = irradiance.get_total_irradiance(
        tilt, azimuth, sun.apparent_zenith, sun.azimuth, data.dni, data.ghi, data.dhi, albedo=0.22, model="perez",
        dni_extra=outside, airmass=atmosphere.get_relative_airmass(sun.apparent_zenith))
    cosine = np.cos(np.radians(irradiance.aoi(tilt, azimuth, sun.apparent_zenith, sun.azimuth))).to_numpy()
    plane = total.poa_global.to_numpy()
    found = beam_share_of_plane(plane, cosine, SunPosition(90.0 - sun.apparent_zenith.to_numpy(),
                                                           sun.azimuth.to_numpy()),
                                np.full(len(data), float(tilt)), data.index.day_of_year.to_numpy(dtype=float), 0.22)
    true = (total.poa_direct / total.poa_global).to_numpy()
    ok = (plane > 50.0) & (sun.apparent_zenith < 85.0).to_numpy() & np.isfinite(true)
    return found[ok], true[ok], plane[ok], cosine[ok], data.index.day_of_year.to_numpy(dtype=float)[ok]


@pytest.mark.parametrize("tilt", [15, 35, 50])
def test_beam_share_of_a_clear_winter_day_is_the_measured_one(tilt):
    """SURFRAD Alamosa (US government work), 1 January 2016: beam and diffuse light were measured by themselves."""
    found, true, plane, cosine, day = _plane_with_known_beam(_surfrad, tilt, 180)
    assert abs(np.mean(found - true)) < 0.03
    assert np.sqrt(np.mean((found - true) ** 2)) < 0.05
    as_level = irradiance.erbs(plane, np.degrees(np.arccos(cosine)), day)["dhi"]
    assert np.sqrt(np.mean((1.0 - as_level / plane - true) ** 2)) > 0.12      # the plane taken for level is far off


@pytest.mark.parametrize(("tilt", "azimuth"), [(35, 180), (50, 180), (30, 120)])
def test_beam_share_under_broken_clouds_is_no_worse_than_erbs_is_on_the_level(tilt, azimuth):
    """BSRN Payerne, 1 and 2 June 2016: one-minute clouds, for which no relation of clearness is sharp."""
    found, true, *_ = _plane_with_known_beam(_bsrn, tilt, azimuth)
    data, place = _bsrn()
    sun = place.get_solarposition(data.index)
    ok = ((data.ghi > 50.0) & (sun.apparent_zenith < 85.0)).to_numpy()
    level = irradiance.erbs(data.ghi, sun.apparent_zenith, data.index.day_of_year)
    on_level = np.sqrt(np.mean((level["dhi"] / data.ghi - data.dhi / data.ghi)[ok] ** 2))
    assert np.sqrt(np.mean((found - true) ** 2)) < 1.1 * on_level


def test_no_light_and_no_sun_before_the_plane_have_no_beam():
    sun = SunPosition(np.array([40.0, 40.0, 40.0]), np.array([180.0, 180.0, 0.0]))
    share = beam_share_of_plane(np.array([0.0, np.nan, 300.0]), np.array([0.9, 0.9, -0.2]), sun, np.full(3, 30.0),
                                np.full(3, 80.0), 0.2)
    np.testing.assert_array_equal(share, 0.0)


def test_spectral_factor_is_one_at_the_standard_spectrum_and_grows_as_the_sun_sinks():
    """IEC 60904-3 prints its spectrum for an air mass of 1.5; Pelland et al. (2020) through pvlib."""
    factor = spectral_factor("mono", np.array([1.0, 1.5, 3.0, 5.0]), np.ones(4))
    assert factor[1] == pytest.approx(1.0, abs=0.01)
    assert np.all(np.diff(factor) > 0.0)
    assert spectral_factor("mono", [np.nan], [0.9])[0] == 1.0
    for technology in ("poly", "cdte", "cis", "amorphous"):
        assert 0.9 < spectral_factor(technology, [1.5], [1.0])[0] < 1.1


def _with_kind(site, kind, channel="poa_irradiance_w_m2"):
    return site.replaced(sensors={channel: {"kind": kind}})


def test_a_cell_behind_glass_is_not_charged_with_reflection_twice():
    site = sites.centrifugal()
    weather = sites.clear_days(site, days=1)
    by_kind = {kind: light_of(_with_kind(site, kind), weather, 600.0) for kind in ("", "photodiode", "silicon_cell",
                                                                                  "thermopile")}
    plain, cell = by_kind[""], by_kind["silicon_cell"]
    lit = plain.poa_w_m2 > 20.0
    np.testing.assert_array_equal(plain.effective_w_m2, by_kind["photodiode"].effective_w_m2)
    ratio = plain.effective_w_m2[lit] / cell.effective_w_m2[lit]
    assert np.all(ratio < 1.0) and ratio.min() < 0.93       # low sun loses most by glass
    spectral = by_kind["thermopile"].effective_w_m2[lit] / plain.effective_w_m2[lit]
    assert np.argmin(spectral) == pytest.approx(np.argmax(plain.poa_w_m2[lit]), abs=25)
    assert spectral[0] > spectral[spectral.size // 2] and spectral[-1] > spectral[spectral.size // 2]


def test_a_level_cell_gets_back_what_its_glass_threw_back():
    """The reading that a level cell would give is made with pvlib's physical model; the light comes back out of it."""
    site = sites.centrifugal()
    weather = sites.clear_days(site, days=1)
    light = daylight(site, weather, 600.0)
    when = weather.index[light.rows]
    ghi = pd.Series(600.0, index=when)
    elevation = light.elevation_all_deg[light.rows]
    chosen = elevation > 10.0
    split = irradiance.erbs(ghi, 90.0 - elevation, when.day_of_year)
    beam = 1.0 - split["dhi"] / ghi
    passed = beam * iam.physical(90.0 - elevation) + (1.0 - beam) * iam.marion_diffuse("physical", 0)["sky"]
    read = pd.DataFrame({"global_horizontal_irradiance_w_m2": ghi * passed})
    told = daylight(_with_kind(site, "silicon_cell", "global_horizontal_irradiance_w_m2"), read, 600.0)
    true = daylight(site, pd.DataFrame({"global_horizontal_irradiance_w_m2": ghi}), 600.0)
    np.testing.assert_allclose(told.poa_w_m2[chosen], true.poa_w_m2[chosen], rtol=0.02)


def test_uncertainty_follows_the_kind_unless_the_sheet_states_its_own():
    site = sites.centrifugal()
    weather = sites.clear_days(site, days=1)

    def doubt(changed):
        return float(np.median(light_of(changed, weather, 600.0).irradiance_uncertainty))

    assert doubt(_with_kind(site, "silicon_cell")) < doubt(site) < doubt(_with_kind(site, "photodiode"))
    stated = site.replaced(sensors={"poa_irradiance_w_m2": {"kind": "photodiode", "uncertainty_pct": 1.0}})
    assert doubt(stated) < doubt(_with_kind(site, "silicon_cell"))


def test_light_of_others_is_not_corrected_by_the_kind_of_the_own_sensor():
    site = _with_kind(sites.centrifugal(), "silicon_cell")
    reflection = reflection_factor(np.full(2, 0.3), np.full(2, 0.8), 30.0)
    share = light_that_counts(site, site.array, np.array([3, 1], dtype=np.int8), reflection, np.full(2, 2.0),
                              np.ones(2))
    assert share[0] == reflection[0] and share[1] == 1.0
