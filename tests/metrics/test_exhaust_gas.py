"""Lambda from exhaust gas: closed-form exhausts, plain evaluations, and what is refused."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows.metrics.exhaust_gas import lambda_from_exhaust_gas
from flows.metrics.fuel import AtomRatios


# Dry exhaust of CH1.85 in closed form (water-gas constant 3.5, no hydrocarbons), rounded to
# 1e-4 vol-%: reckoned from atom balances apart from the formula.
@pytest.mark.parametrize(
    ("true_lambda", "co2", "co", "o2"),
    [
        (0.80, 10.3258, 7.6062, 0.0),
        (0.85, 11.6070, 5.6218, 0.0),
        (0.88, 12.3708, 4.4539, 0.0),
        (0.90, 12.8764, 3.6862, 0.0),
        (0.95, 14.1230, 1.8097, 0.0),
        (1.00, 15.3380, 0.0, 0.0),
        (1.05, 14.5585, 0.0, 1.0646),
        (1.10, 13.8543, 0.0, 2.0262),
    ],
)
def test_an_exhaust_made_by_atom_balance_gives_its_lambda_back(true_lambda, co2, co, o2):
    found = lambda_from_exhaust_gas(co2 / 100, co / 100, o2 / 100, fuel=AtomRatios(1.85, 0.0))
    assert found == pytest.approx(true_lambda, abs=2e-5)


# The formula worked through once by hand from its printed form in vol-% and ppm.
@pytest.mark.parametrize(
    ("gas", "hydrogen", "oxygen", "expected"),
    [
        ((12.0, 4.0, 0.3, 250), 1.73, 0.02, 0.890520),
        ((14.7, 0.15, 1.0, 100), 1.7261, 0.0176, 1.038703),
        ((15.1, 0.5, 0.6, 150), 1.7261, 0.0176, 1.007117),
    ],
)
def test_the_printed_formula_is_met_in_shares(gas, hydrogen, oxygen, expected):
    co2, co, o2, hc_ppm = gas
    found = lambda_from_exhaust_gas(
        co2 / 100,
        co / 100,
        o2 / 100,
        hc_ppm * 1e-6,
        AtomRatios(hydrogen, oxygen),
    )
    assert found == pytest.approx(expected, abs=1e-6)


def lean_exhaust(true_lambda, hydrogen, oxygen):
    """Return dry shares of complete lean burning of CHyOz, by atom balance."""
    need = 1.0 + hydrogen / 4.0 - oxygen / 2.0
    air = true_lambda * need
    # One carbon: CO2 1; nitrogen 3.774 of each oxygen of the air.
    dry = 1.0 + air - need + 3.774 * air
    return 1.0 / dry, (air - need) / dry


@given(st.floats(1.01, 1.3), st.floats(1.6, 3.0), st.floats(0.0, 0.5))
def test_oxygen_of_the_fuel_is_counted(true_lambda, hydrogen, oxygen):
    co2, o2 = lean_exhaust(true_lambda, hydrogen, oxygen)
    found = lambda_from_exhaust_gas(co2, 0.0, o2, fuel=AtomRatios(hydrogen, oxygen))
    assert found == pytest.approx(true_lambda, rel=1e-9)


def test_hydrocarbons_are_counted_as_hexane():
    # By hand: 250 ppm of hexane are 0.15 % of carbon beside 16 %.
    without, true = (lambda_from_exhaust_gas(0.12, 0.04, 0.003, hc) for hc in (0.0, 250e-6))
    assert without / true == pytest.approx(16.15 / 16.0, rel=1e-9)


def test_air_drawn_in_reads_lean():
    # The exhaust of lambda 0.9 with a tenth of air, by atom balance: 1/0.165626 mol of dry
    # exhaust for each carbon take 1/9 of that in air with 20.946 % oxygen; 1.4625 are needed:
    # 0.9 + 6.0377/9*0.20946/1.4625.
    gas = np.array([0.128764, 0.036862, 0.0]) * 0.9 + np.array([0.0, 0.0, 0.1 * 0.20946])
    found = lambda_from_exhaust_gas(*gas, fuel=AtomRatios(1.85, 0.0))
    assert found == pytest.approx(0.9961, abs=1e-4)


def test_a_probe_out_of_the_pipe_has_no_lambda():
    found = lambda_from_exhaust_gas([0.0, 0.12, 0.03, np.nan], [0.0, 0.04, 0.02, 0.04], 0.003)
    assert np.isnan(found).tolist() == [True, False, True, True]


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: lambda_from_exhaust_gas(12.0, 0.04, 0.003), "co2_share must be at most 0.21"),
        (lambda: lambda_from_exhaust_gas(0.12, 4.0, 0.003), "co_share must be at most 0.21"),
        (lambda: lambda_from_exhaust_gas(0.12, 0.04, 0.3), "o2_share must be at most 0.22"),
        (lambda: lambda_from_exhaust_gas(0.12, 0.04, -0.1), "o2_share must be at least 0"),
        (lambda: lambda_from_exhaust_gas(0.12, 0.04, 0.0, 250.0), "hc_share must be at most 0.1"),
        (
            lambda: lambda_from_exhaust_gas(0.12, 0.04, 0.0, fuel=AtomRatios(14.7, 0.0)),
            "hydrogen_per_carbon must be at most 4",
        ),
    ],
)
def test_what_no_exhaust_can_be_is_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()
