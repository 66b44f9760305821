"""Test pumpings with published answers, run through the functions that turn them into a well's description."""

import numpy as np
import pytest

from diagnostics.pumping_test import (
    equivalent_time_s,
    fit_cooper_jacob,
    fit_steady_steps,
    fit_theis,
    fit_unsteady_steps,
    laminar_share,
    recovery_transmissivity,
    specific_capacity,
    theis_drawdown,
    well_function,
)
from diagnostics.units import convert
from tests.references.published import case, rows, table

DAY = 86400.0


# US Geological Survey Water-Supply Paper 887 (Wenzel 1942), the table of W(u) as textbooks reprint it: 28 rows.
@pytest.mark.parametrize("row", rows("05_theis_w.csv"), ids=lambda row: f"u={row.u:g}")
def test_well_function_rounds_to_the_printed_table_of_paper_887(row):
    printed = str(row.published_rounded)
    half_last_digit = 0.5 * 10.0 ** -len(printed.partition(".")[2])
    assert float(well_function(row.u)) == pytest.approx(row.published_rounded, abs=half_last_digit * 1.001)


def fetter():
    record = table("05_pumping_test_fetter.csv")
    test = case("05_pumping_test_fetter.json", "Theis automatic fit")
    return record["t_s"].to_numpy(), record["drawdown_m"].to_numpy(), test


# C. W. Fetter, Applied Hydrogeology, 4th ed., table 5.1; the automatic fit's answers are those of the open toolboxes
# hytool and pumpingtest (sources in the file).
def test_theis_fit_of_fetters_table_gives_the_published_transmissivity_and_storativity():
    time_s, drawdown_m, test = fetter()
    fit = fit_theis(time_s, drawdown_m, distance_m=test["inputs"]["r_m"], flows_m3_s=test["inputs"]["Q_m3_s"])
    expected = test["expected"]
    assert fit.transmissivity_m2_s == pytest.approx(expected["T_m2_s"], rel=0.03)
    assert fit.storativity == pytest.approx(expected["S"], rel=0.03)
    assert fit.sum_of_squares_m2 == pytest.approx(expected["sum_of_squares_m2"], rel=0.001)
    slope = np.log(10.0) * test["inputs"]["Q_m3_s"] / (4 * np.pi * fit.transmissivity_m2_s)
    assert slope == pytest.approx(expected["slope_m_per_cycle"], rel=0.001)
    intercept_s = fit.storativity * test["inputs"]["r_m"] ** 2 / (2.2458394 * fit.transmissivity_m2_s)
    assert intercept_s == pytest.approx(expected["t0_s"], rel=0.002)


def test_cooper_jacob_line_of_fetters_late_rows_gives_the_published_answer():
    time_s, drawdown_m, _ = fetter()
    test = case("05_pumping_test_fetter.json", "Cooper-Jacob")
    fit = fit_cooper_jacob(time_s[2:], drawdown_m[2:], flow_m3_s=test["inputs"]["Q_m3_s"],
                           distance_m=test["inputs"]["r_m"])
    assert fit.transmissivity_m2_s == pytest.approx(test["expected"]["T_m2_s"], rel=test["rel_tol"]["T_m2_s"])
    assert fit.storativity == pytest.approx(test["expected"]["S"], rel=test["rel_tol"]["S"])


# Kruseman and de Ridder, Analysis and Evaluation of Pumping Test Data, table 3.2; least squares answers as published
# with the open aquifer model ttim (sources in the file).
@pytest.mark.parametrize(("name", "radii"), [("both piezometers", (30, 90)), ("30 m only", (30,)),
                                             ("90 m only", (90,))])
def test_theis_fit_of_oude_korendijk_gives_the_published_conductivity(name, radii):
    both = case("05_oude_korendijk.json", "both piezometers")
    test = case("05_oude_korendijk.json", name)
    record = table("05_oude_korendijk.csv")
    record = record[record["r_m"].isin(radii)]
    fit = fit_theis(record["t_min"] * 60.0, record["drawdown_m"], distance_m=record["r_m"],
                    flows_m3_s=both["inputs"]["Q_m3_d"] / DAY)
    thickness_m = both["inputs"]["thickness_m"]
    assert fit.transmissivity_m2_s * DAY / thickness_m == pytest.approx(test["expected"]["k_m_d"],
                                                                        rel=test["rel_tol"]["k_m_d"])
    assert fit.storativity / thickness_m == pytest.approx(test["expected"]["Ss_per_m"],
                                                          rel=test["rel_tol"]["Ss_per_m"])
    if "rmse_m" in test["expected"]:
        assert np.sqrt(fit.sum_of_squares_m2 / fit.n_samples) == pytest.approx(test["expected"]["rmse_m"], rel=0.01)


# Kruseman and de Ridder 1994, p. 185 (three successive rates); answers of the open toolboxes named in the file.
def test_three_rate_test_superposes_to_the_published_fit():
    record = table("05_variable_rate_test.csv")
    test = case("05_variable_rate_test.json", "automatic fit")
    starts, flows = zip(*test["inputs"]["steps_m3_d"], strict=True)
    fit = fit_theis(record["t_s"], record["drawdown_m"], distance_m=test["inputs"]["r_m"],
                    flows_m3_s=np.array(flows) / DAY, starts_s=starts)
    assert fit.sum_of_squares_m2 == pytest.approx(test["expected"]["sum_of_squares_m2"], rel=0.01)
    assert fit.transmissivity_m2_s == pytest.approx(test["expected"]["T_m2_s"], rel=0.05)
    assert fit.storativity == pytest.approx(test["expected"]["S"], rel=0.06)
    book = case("05_variable_rate_test.json", "book")
    assert fit.transmissivity_m2_s * DAY == pytest.approx(book["expected"]["T_m2_d"], rel=book["rel_tol"]["T_m2_d"])
    assert fit.storativity == pytest.approx(book["expected"]["S"], rel=book["rel_tol"]["S"])


# D. K. Todd, Groundwater Hydrology (1980); V. Batu, Aquifer Hydraulics (1998), example 4-12.
def test_recovery_by_equivalent_time_gives_the_published_answer():
    record = table("05_recovery_test.csv")
    test = case("05_recovery_test.json", "equivalent")
    time_s = equivalent_time_s(record["t_since_stop_s"], test["inputs"]["t_p_s"])
    fit = fit_theis(time_s, record["recovery_m"], distance_m=test["inputs"]["r_m"],
                    flows_m3_s=test["inputs"]["Q_m3_d"] / DAY)
    assert fit.transmissivity_m2_s == pytest.approx(test["expected"]["T_m2_s"], rel=test["rel_tol"]["T_m2_s"])
    assert fit.storativity == pytest.approx(test["expected"]["S"], rel=test["rel_tol"]["S"])


def test_residual_drawdown_line_gives_todds_transmissivity():
    record = table("05_recovery_test.csv")
    test = case("05_recovery_test.json", "residual drawdown")
    found = recovery_transmissivity(record["t_since_stop_s"], record["residual_drawdown_m"], pumped_s=14400.0,
                                    flow_m3_s=test["inputs"]["Q_m3_d"] / DAY)
    assert found * DAY == pytest.approx(test["expected"]["T_m2_d"], rel=test["rel_tol"]["T_m2_d"])


CLARK_FLOWS_M3_S = np.array([1306, 1693, 2423, 3261, 4094, 5019]) / DAY
CLARK_STARTS_S = np.arange(6) * 10800.0


# L. Clark 1977; Kruseman and de Ridder 1994, table 14.1: six steps of three hours, 175 readings.
@pytest.mark.parametrize(("name", "skip_s"), [("all 175 points", 0.0), ("later than 20 min", 1200.0)])
def test_step_test_of_clark_gives_the_least_squares_answer(name, skip_s):
    record = table("05_step_test_clark.csv")
    test = case("05_step_test_clark.json", name)
    expected = test["expected"]
    fit = fit_unsteady_steps(record["t_s"], record["drawdown_m"], flows_m3_s=CLARK_FLOWS_M3_S,
                             starts_s=CLARK_STARTS_S, settled_s=60.0, skip_s=skip_s)
    assert fit.transmissivity_m2_s == pytest.approx(expected["T_m2_s"], rel=1e-4)
    assert fit.drawdown_quadratic_s2_m5 / DAY**2 == pytest.approx(expected["C_d2_m5"], rel=1e-4)
    # The file counts decades of minutes, so its a is B after one minute.
    assert fit.drawdown_linear_s_m2 / DAY == pytest.approx(expected["a_d_m2"], rel=1e-4)
    if "sum_of_squares_m2" in expected:
        assert fit.sum_of_squares_m2 == pytest.approx(expected["sum_of_squares_m2"], rel=1e-4)


@pytest.mark.parametrize("name", ["graphical", "published, automatic fit"])
def test_step_test_of_clark_is_within_the_spread_of_the_published_answers(name):
    record = table("05_step_test_clark.csv")
    test = case("05_step_test_clark.json", name)
    fit = fit_unsteady_steps(record["t_s"], record["drawdown_m"], flows_m3_s=CLARK_FLOWS_M3_S,
                             starts_s=CLARK_STARTS_S, settled_s=10800.0)
    assert fit.transmissivity_m2_s == pytest.approx(test["expected"]["T_m2_s"], rel=test["rel_tol"]["T_m2_s"])
    allowed = test["rel_tol"].get("C_s2_m5", test["rel_tol"].get("C_d2_m5"))
    assert fit.drawdown_quadratic_s2_m5 == pytest.approx(test["expected"]["C_s2_m5"], rel=allowed)


# Jacob's s = B Q + C Q^2 with B and C of Kruseman and de Ridder's example; drawdowns by hand from the formula.
def test_steady_steps_return_the_coefficients_they_were_made_of():
    test = case("05_step_test_exact.json", "four steps")
    flow_m3_s = np.array(test["inputs"]["Q_m3_d"]) / DAY
    fit = fit_steady_steps(flow_m3_s, test["inputs"]["s_m"])
    expected = test["expected"]
    assert fit.drawdown_linear_s_m2 / DAY == pytest.approx(expected["B_d_m2"], rel=1e-5)
    assert fit.drawdown_quadratic_s2_m5 / DAY**2 == pytest.approx(expected["C_d2_m5"], rel=1e-5)
    share = laminar_share(flow_m3_s, drawdown_linear_s_m2=fit.drawdown_linear_s_m2,
                          drawdown_quadratic_s2_m5=fit.drawdown_quadratic_s2_m5)
    np.testing.assert_allclose(100 * share, expected["well_efficiency_pct"], rtol=1e-5)
    np.testing.assert_allclose(specific_capacity(flow_m3_s, test["inputs"]["s_m"]) * DAY,
                               expected["specific_capacity_m3_d_m"], rtol=1e-5)


# First step of Clark's test: definition of specific capacity in three units.
def test_specific_capacity_in_the_units_of_three_trades():
    test = case("05_specific_capacity.json", "definition")
    found = float(specific_capacity(test["inputs"]["Q_m3_d"] / DAY, test["inputs"]["s_m"]))
    assert found * DAY == pytest.approx(test["expected"]["Sc_m3_d_m"], rel=1e-4)
    assert found * 1000 == pytest.approx(test["expected"]["Sc_L_s_m"], rel=1e-4)
    assert float(convert(found, "m3_s_per_m", "gpm_us_per_ft")) == pytest.approx(test["expected"]["Sc_gpm_ft"],
                                                                                 rel=1e-4)


# Cooper-Jacob closed form: specific capacity of a well from T and S after three hours.
def test_theis_drawdown_of_the_pumped_well_agrees_with_the_cooper_jacob_specific_capacity():
    test = case("05_specific_capacity.json", "Cooper-Jacob specific capacity")
    given = test["inputs"]
    drawdown = theis_drawdown(given["t_d"] * DAY, transmissivity_m2_s=given["T_m2_d"] / DAY, storativity=given["S"],
                              distance_m=given["r_w_m"], flows_m3_s=1.0 / DAY)
    assert 1.0 / drawdown[0] == pytest.approx(test["expected"]["Sc_m2_d"], rel=1e-5)


def test_drawdown_recovers_to_nothing_long_after_the_pump_stops():
    drawdown = theis_drawdown([3600.0, 1e9], transmissivity_m2_s=1e-3, storativity=1e-4, distance_m=0.1,
                              flows_m3_s=[0.001, 0.0], starts_s=[0.0, 7200.0])
    assert drawdown[0] > 0.5
    assert drawdown[1] < 1e-5
