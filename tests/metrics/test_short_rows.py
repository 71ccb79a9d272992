"""Order statistics and slopes of short rows against numpy."""

import statistics

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows.metrics.short_rows import median, medians_of_others, quantile, slope

ROWS = st.lists(st.floats(-1e9, 1e9), min_size=1, max_size=60).map(np.array)


@given(ROWS)
def test_the_median_is_numpy_s_to_the_last_digit(row):
    assert median(row) == np.median(row)


def test_a_row_with_a_hole_has_no_median():
    assert np.isnan(median(np.array([1.0, np.nan, 2.0])))


@given(ROWS, st.floats(0.0, 1.0))
def test_the_quantile_is_numpy_s_to_the_last_digit(row, share):
    assert quantile(row, share) == np.quantile(row, share)


@given(st.integers(0, 2**32 - 1))
def test_the_slope_is_that_of_numpy_s_line(seed):
    x, y = np.random.default_rng(seed).normal(size=(2, 40))
    assert slope(x, y) == pytest.approx(np.polyfit(x, y, 1)[0], rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("values", [[3.0, 1.0], [2.0, 2.0, 2.0, 1.0], [5.0, 1.0, 4.0, 2.0, 3.0]])
def test_the_median_of_the_others_is_that_of_the_row_without_one(values):
    wanted = [statistics.median(values[:n] + values[n + 1 :]) for n in range(len(values))]
    assert medians_of_others(values) == wanted


def test_the_median_of_the_others_holds_for_long_rows_with_ties():
    for size in (40, 41):
        values = np.random.default_rng(size).integers(0, 12, size).astype(float).tolist()
        wanted = [statistics.median(values[:n] + values[n + 1 :]) for n in range(size)]
        assert medians_of_others(values) == wanted
