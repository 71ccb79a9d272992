"""The refusal of impossible numbers: what passes, what is refused, and in which words."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows.metrics.domain_checks import require

BROKEN = [
    pytest.param({"value": -5, "above": 0.0, "unit": "K"}, "above 0 K, got -5", id="above"),
    pytest.param({"value": 0.0, "above": 0.0, "unit": "K"}, "above 0 K, got 0", id="on the bound"),
    pytest.param(
        {"value": -0.1, "at_least": 0.0, "unit": "%"}, "at least 0 %, got -0.1", id="least"
    ),
    pytest.param({"value": 2.0, "below": 1.0}, "below 1, got 2", id="below"),
    pytest.param(
        {"value": 101.0, "at_most": 100.0, "unit": "%"}, "at most 100 %, got 101", id="most"
    ),
    pytest.param({"value": math.inf, "below": 9.0}, "below 9, got inf", id="infinite"),
]


@pytest.mark.parametrize(("given_values", "words"), BROKEN)
def test_the_message_names_argument_rule_unit_and_value(given_values, words):
    value = given_values.pop("value")
    with pytest.raises(ValueError, match=f"^humidity must be {words}$"):
        require("humidity", value, **given_values)


def test_values_on_an_inclusive_bound_pass():
    require("share", 0.0, at_least=0.0, at_most=1.0)
    require("share", 1.0, at_least=0.0, at_most=1.0)


def test_a_value_not_seen_passes_every_bound():
    require("temperature_k", math.nan, above=0.0, below=400.0, at_least=1.0, at_most=399.0)
    require("temperature_k", [math.nan, 300.0], above=0.0)


def test_the_first_broken_element_is_shown():
    with pytest.raises(ValueError, match=r"got -2$"):
        require("temperature_k", np.array([300.0, -2.0, -7.0]), above=0.0, unit="K")


def test_a_bound_may_differ_from_element_to_element():
    require("vapour_pressure_pa", [1.0, 3.0], at_most=[2.0, 4.0])
    with pytest.raises(ValueError, match=r"at most 2 Pa, got 3$"):
        require("vapour_pressure_pa", [1.0, 3.0], at_most=[2.0, 2.0], unit="Pa")


@given(st.floats(allow_nan=False), st.floats(allow_nan=False))
def test_exactly_one_of_above_and_at_most_is_broken(value, bound):
    broken = 0
    for rule in ({"above": bound}, {"at_most": bound}):
        try:
            require("value", value, **rule)
        except ValueError:
            broken += 1
    assert broken == 1
