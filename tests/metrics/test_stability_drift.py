"""The control bike's chart and lasting shifts, against textbooks and published run lengths."""

import math
from itertools import pairwise

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.tsa.stattools import acf

from flows.metrics import stability
from flows.metrics.stability import (
    LEAST_LEARNT,
    Limits,
    Sums,
    control_chart,
    cusum_run_length,
    drift_of_pair,
    scatter_of,
    signal_limits,
    signals,
)
from tests.in_words import words as words_of

# Montgomery, Introduction to Statistical Quality Control, table 9-1; target 10,
# sigma 1, K 0.5, H 5.
MONTGOMERY = [
    9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34,
    9.03, 11.47, 10.51, 9.40, 10.08, 9.37, 10.62, 10.31, 8.52, 10.84,
    10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52,
]  # fmt: skip

# NIST/SEMATECH e-Handbook 6.3.2.3: target 325, k 0.3175, h 4.1959, in the unit of the values.
NIST = [
    324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
    324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
]  # fmt: skip

FAR = Limits(3.0, 5.0)


def sums_of(values, centre, sd):
    """Return the sums about a known centre, which signal and go on."""
    sums, rows = Sums(), []
    for value in values:
        sums.add((value - centre) / sd)
        rows.append((sums.high, sums.low, sums.run))
    return np.array(rows).T


def chart_of(values, limits=FAR, relative_sd=None, least_sd=0.0):
    relative = np.ones(len(values)) if relative_sd is None else relative_sd
    return control_chart(values, limits, relative_sd=relative, least_sd=least_sd)


@pytest.fixture
def as_if_independent(monkeypatch):
    """Let the chart take sessions as independent: that one follows another is then not asked."""
    monkeypatch.setattr(stability, "FOLLOWS_MOST", 0.0)


def test_the_sums_match_the_textbook_example(monkeypatch):
    monkeypatch.setattr(stability, "CUSUM_ALLOWANCE", 0.5)
    high, low, run = sums_of(MONTGOMERY, centre=10.0, sd=1.0)
    got = high[[3, 4, 5, 6, 27, 28, 29]]
    assert got == pytest.approx([1.16, 2.82, 2.50, 0.04, 4.47, 5.28, 5.30], abs=5e-3)
    assert run[28] == 7
    assert list(np.flatnonzero(high > 5.0) + 1) == [29, 30]
    assert not (low > 5.0).any()


def test_the_sums_match_the_nist_example(monkeypatch):
    monkeypatch.setattr(stability, "CUSUM_ALLOWANCE", 0.3175)
    high, low, _ = sums_of(NIST, centre=325.0, sd=1.0)
    assert high[:12] == pytest.approx(np.zeros(12), abs=0.04)
    expected = [3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04]
    assert high[12:] == pytest.approx(expected, abs=6e-3)
    assert low[7] == pytest.approx(0.715, abs=1e-3)
    assert int(np.flatnonzero(high > 4.1959)[0]) + 1 == 14


# Lucas and Crosier, Technometrics 24, 1982, both sides; NIST 6.3.2.3 prints the same for one side,
# twice as long without a shift (from memory).
@pytest.mark.parametrize(
    ("limit", "published"),
    [
        (4.0, {0.0: 168.0, 0.25: 74.2, 0.5: 26.6, 0.75: 13.3, 1.0: 8.38, 1.5: 4.75, 2.0: 3.34}),
        (5.0, {0.0: 465.0, 0.25: 139.0, 0.5: 38.0, 0.75: 17.0, 1.0: 10.4, 1.5: 5.75, 2.0: 4.01}),
    ],
)
def test_run_lengths_are_those_of_the_published_table(monkeypatch, limit, published):
    monkeypatch.setattr(stability, "CUSUM_ALLOWANCE", 0.5)
    for shift, length in published.items():
        # Siegmund's formula runs short of a value in ten where a shift is seen within a few.
        assert cusum_run_length(limit, shift) == pytest.approx(length, rel=0.04, abs=0.15), shift
        assert cusum_run_length(limit, -shift) == cusum_run_length(limit, shift)


# Montgomery, Introduction to Statistical Quality Control, table 9-4 (from memory).
@pytest.mark.parametrize(
    ("allowance", "limit"),
    [(0.25, 8.01), (0.5, 4.77), (0.75, 3.34), (1.0, 2.52), (1.25, 1.99), (1.5, 1.61)],
)
def test_every_published_pair_makes_one_false_alarm_in_370(monkeypatch, allowance, limit):
    monkeypatch.setattr(stability, "CUSUM_ALLOWANCE", allowance)
    # The table's limits have two decimals: 0.005 of them are 1.5 % of the length at 1.5.
    assert exact_run_length(limit, allowance) == pytest.approx(370.0, rel=0.02)
    # Siegmund's formula is for small steps: of large ones it promises less than it keeps.
    assert cusum_run_length(limit) == pytest.approx(370.0, rel=0.04 if allowance < 1.0 else 0.25)


def exact_run_length(limit, allowance, states=300):
    """Return the run length of both sides by Brook and Evans' Markov chain, Biometrika 59, 1972."""
    width = 2.0 * limit / (2 * states - 1)
    at = np.arange(states)
    to = (at[None, :] - at[:, None]) * width + allowance
    moves = stats.norm.cdf(to + width / 2.0) - stats.norm.cdf(to - width / 2.0)
    moves[:, 0] = stats.norm.cdf(to[:, 0] + width / 2.0)
    return np.linalg.solve(np.eye(states) - moves, np.ones(states))[0] / 2.0


@pytest.mark.parametrize("sessions_a_year", [12, 24, 52, 104])
def test_limits_keep_the_budget_exactly(sessions_a_year):
    # In two years: three tenths of 0.19 signals by single sessions, the rest by the sums.
    limits = signal_limits(sessions_a_year)
    of_two_years = 2 * sessions_a_year
    assert 2 * stats.norm.sf(limits.single) * of_two_years == pytest.approx(0.057)
    false = of_two_years / exact_run_length(limits.sums, stability.CUSUM_ALLOWANCE)
    assert false == pytest.approx(0.133, rel=0.04)


def test_limits_of_single_sessions_are_those_of_a_prediction_by_least_squares(as_if_independent):
    values = np.random.default_rng(3).normal(2.0, 0.5, 15)
    chart = chart_of(values)
    alpha = 2 * stats.norm.sf(FAR.single)
    for place in range(LEAST_LEARNT, 15):
        # The wild values that the chart would not learn from in full are not among these.
        fit = sm.OLS(values[:place], np.ones(place)).fit()
        ((lower, upper),) = fit.get_prediction([[1.0]]).conf_int(obs=True, alpha=alpha)
        assert (chart.lower[place], chart.upper[place]) == pytest.approx((lower, upper))
    assert np.isnan(chart.lower[:LEAST_LEARNT]).all()


def test_unequal_sessions_are_weighed_as_by_weighted_least_squares(as_if_independent):
    draw = np.random.default_rng(4)
    relative = draw.uniform(0.6, 1.8, 12)
    values = draw.normal(0.0, 0.5, 12) * relative
    chart = chart_of(values, relative_sd=relative)
    fit = sm.WLS(values[:11], np.ones(11), weights=relative[:11] ** -2).fit()
    prediction = fit.get_prediction([[1.0]], weights=relative[11] ** -2)
    ((lower, upper),) = prediction.conf_int(obs=True, alpha=2 * stats.norm.sf(FAR.single))
    assert (chart.lower[11], chart.upper[11]) == pytest.approx((lower, upper))


def test_how_far_values_follow_one_another_is_the_usual_correlation(monkeypatch):
    monkeypatch.setattr(stability, "FOLLOWS_WEIGHT", 0.0)
    values = np.zeros(200)
    new = np.random.default_rng(5).normal(0.0, 1.0, 200)
    for place in range(1, 200):
        values[place] = 0.4 * values[place - 1] + new[place]
    lag = acf(values, nlags=1)[1]
    got = scatter_of(values, np.ones(200), [0], 0.0)
    # Kendall 1954: the lag-1 correlation is (1 + 4 r) / n too small.
    assert got.follows == pytest.approx(lag + (1 + 4 * lag) / 200)
    assert got.sd == pytest.approx(1.0, abs=0.15)


def test_few_values_that_seem_to_follow_one_another_prove_little():
    # By hand: -2 -1 0 1 2 has r = (2 + 0 + 0 + 2) / 10 = 0.4, with the bias 0.4 + 2.6 / 5 = 0.92;
    # with 25 values at 0.3: (5 * 0.92 + 25 * 0.3) / 30 = 0.4033.
    got = scatter_of(np.arange(-2.0, 3.0), np.ones(5), [0], 0.0)
    assert got.follows == pytest.approx(0.40333, abs=1e-5)


def test_a_scatter_is_never_less_than_what_is_known_from_elsewhere():
    values = [0.0, 0.1] * 6
    narrow, wide = chart_of(values), chart_of(values, least_sd=0.5)
    assert wide.upper[-1] - wide.lower[-1] > 3 * (narrow.upper[-1] - narrow.lower[-1])
    # By hand: known 0.5, eleven values before: 3 * 0.5 * sqrt(1 + 1 / 11) on either side.
    half = (wide.upper[-1] - wide.lower[-1]) / 2
    assert half == pytest.approx(1.5 * math.sqrt(12 / 11), rel=1e-4)


def draws_of(follows, sessions, draw):
    values = draw.standard_normal(sessions)
    for place in range(1, sessions):
        values[place] = follows * values[place - 1] + math.sqrt(1 - follows**2) * values[place]
    return values


@pytest.mark.parametrize("follows", [0.0, 0.2, 0.4])
def test_a_stable_dyno_sees_less_than_one_signal_in_two_years(follows):
    # 24 sessions a year, nothing known of their scatter: the hardest of the usual.
    draw = np.random.default_rng(6)
    limits, told = signal_limits(24), []
    for _ in range(200):
        chart = chart_of(draws_of(follows, 48, draw), limits)
        told.append(len(chart.shifts) + int(chart.is_odd.sum()))
    # Counts scatter somewhat more than by chance alone: 0.1 of standard error.
    assert np.mean(told) < 1.0
    assert np.mean(np.array(told) > 0) < 0.45


def test_a_shift_of_two_scatters_is_found_within_four_sessions_or_does_not_hide_itself_later():
    draw = np.random.default_rng(7)
    limits, waits = signal_limits(26), []
    for _ in range(250):
        values = draw.standard_normal(40)
        values[20:] += 2.0
        seen = [shift.seen - 19 for shift in chart_of(values, limits).shifts]
        if not seen or seen[0] > 0:
            waits.append(seen[0] if seen else 99)
    # Three standard errors of a share of 250 are 9 points at a half, 6 at nine tenths. A chart that
    # knows all beforehand finds 88 of 100 within four, 99 within eight (Brook and Evans' chain).
    assert np.mean(np.array(waits) <= 4) > 0.50 - 0.09
    assert np.mean(np.array(waits) <= 8) > 0.82 - 0.07
    # Bug: of ten shifts two were never seen; they had been learnt as scatter and succession.
    assert np.mean(np.array(waits) <= 13) > 0.91 - 0.06


def test_sizes_and_days_of_a_shift_lie_in_their_intervals():
    draw = np.random.default_rng(8)
    sizes, days, widths = [], [], []
    for _ in range(250):
        values = draw.standard_normal(60)
        values[30:] += 2.0
        found = chart_of(values, signal_limits(26)).shifts
        if found and found[0].seen >= 30:
            sizes.append(abs(found[-1].size - 2.0) <= found[-1].half)
            days.append(found[0].earliest <= 30 <= found[0].latest)
            widths.append(found[0].latest - found[0].earliest)
    # Selection (only large sums signal) costs a little of 95 %; whole sessions give some back.
    assert np.mean(sizes) > 0.90
    assert np.mean(days) > 0.92
    assert np.median(widths) <= 12


@given(st.lists(st.floats(-4.0, 4.0), min_size=1, max_size=40))
def test_what_lies_above_mirrors_what_lies_below(values):
    chart, mirrored = (chart_of(sign * np.array(values), least_sd=0.5) for sign in (1.0, -1.0))
    assert chart.high == pytest.approx(mirrored.low)
    assert [shift.first for shift in chart.shifts] == [shift.first for shift in mirrored.shifts]


@given(st.integers(0, 10_000), st.floats(0.01, 100.0), st.floats(-1e3, 1e3))
def test_unit_and_zero_of_the_values_change_no_signal(seed, unit, zero):
    values = np.random.default_rng(seed).normal(0.0, 1.0, 30)
    values[20:] += 3.0
    plain, other = chart_of(values), chart_of(zero + unit * values)
    assert other.high == pytest.approx(plain.high, abs=1e-6)
    assert [shift.first for shift in other.shifts] == [shift.first for shift in plain.shifts]


def test_a_value_not_seen_leaves_the_sums_as_they_are():
    values = np.random.default_rng(9).normal(0.0, 1.0, 14)
    gap = np.insert(values, 12, math.nan)
    chart, whole = chart_of(gap), chart_of(values)
    assert chart.high[12] == chart.high[11] == whole.high[11]
    assert chart.high[13:] == pytest.approx(whole.high[12:])
    assert math.isnan(chart.upper[12])
    assert not chart.is_odd[12]


@pytest.mark.parametrize("values", [[], [math.nan] * 3, np.zeros(40), [1.0] * LEAST_LEARNT])
def test_a_steady_or_unseen_process_has_no_signal(values):
    chart = chart_of(values)
    assert chart.shifts == []
    assert not chart.is_odd.any()
    assert chart.level.size == len(values)


def test_a_step_and_its_end_are_dated_and_sized():
    draw = np.random.default_rng(13)
    values = draw.normal(0.0, 0.5, 60)
    values[20:40] -= 2.5
    values[25] = math.nan
    down, back = chart_of(values).shifts
    assert (down.first, down.last, down.is_away) == (20, 39, True)
    assert down.size == pytest.approx(-2.5, abs=down.half)
    # Two standard errors of 19 values against 20, wider for what follows one another: 0.3 to 1.
    assert 0.3 < down.half < 1.0
    assert (back.first, back.is_away) == (40, False)


def test_one_wild_value_is_odd_and_no_level():
    values = np.random.default_rng(19).normal(0.0, 1.0, 30)
    values[15] = 40.0
    chart = chart_of(values)
    assert chart.shifts == []
    assert list(np.flatnonzero(chart.is_odd)) == [15]


def test_the_run_before_a_great_step_is_not_part_of_it():
    # The sums have piled up a little by chance before the step: it still begins at the step.
    values = [0.1, -0.1] * 6 + [-1.0, -1.1, -6.0, -6.1, -5.9, -6.0]
    (found,) = chart_of(values, least_sd=1.0).shifts
    assert (found.first, found.size) == (14, pytest.approx(-6.0, abs=0.25))


def test_a_slow_drift_comes_out_as_shifts_in_one_direction():
    draw = np.random.default_rng(10)
    values = 0.2 * np.maximum(0.0, np.arange(60.0) - 20) + draw.normal(0.0, 0.3, 60)
    found = chart_of(values).shifts
    assert len(found) >= 2
    assert all(a.size < b.size for a, b in pairwise(found))
    assert all(a.last + 1 == b.first for a, b in pairwise(found))


def test_a_clear_step_leaves_no_doubt_where_it_began():
    values = [0.0, 0.1, -0.1, 0.05, -0.05, 0.1, 0.0, -0.1, math.nan, 9.0, 9.1, 8.9, 9.05]
    (found,) = chart_of(values).shifts
    assert (found.earliest, found.first, found.latest) == (9, 9, 9)


def test_the_bounds_of_the_beginning_are_those_of_the_formula():
    # By hand for 0 0 0 2 4 4 4: squares left if it began at the 4th are 3, at the 5th 3; at the
    # 3rd or 6th 12.8: 9.8 more. With sd 1.2 that is 6.8 < 7.35.
    values = np.array([0.0, 0.0, 0.0, 2.0, 4.0, 4.0, 4.0])
    assert list(stability._may_begin(values, 1.0)) == [3, 4]
    assert list(stability._may_begin(values, 1.2)) == [2, 3, 4, 5]


def test_signals_are_told_on_their_side_and_once():
    draw = np.random.default_rng(11)
    for sign, side in ((1.0, "upper"), (-1.0, "lower")):
        values = draw.normal(0.0, 0.3, 30)
        values[15:] += 2.0 * sign
        values[17] = math.nan
        chart = chart_of(values)
        told = [words_of(rules) for rules in signals(values, chart, FAR)]
        assert told[15] == f"beyond the {side} limit"
        of_sums = [place for place, text in enumerate(told) if "sum of departures" in text]
        assert of_sums == [shift.seen for shift in chart.shifts]
        assert f"sum of departures beyond the {side} limit" in told[of_sums[0]]
        assert told[17] == ""


def test_a_drift_cancels_within_a_spell_and_adds_up_across():
    high, low = {"service": (1.0, 0.012)}, {"belt": (1.0, 0.008)}
    assert drift_of_pair({}, {}) == 0.0
    assert drift_of_pair(high, high) == 0.0
    assert drift_of_pair({}, high) == drift_of_pair(high, {}) == pytest.approx(0.012)
    # Up 1.2 % before, down 0.8 % after: the comparison is off by 2.0 %.
    assert drift_of_pair(high, low) == pytest.approx(0.020)
    assert drift_of_pair(high | low, low) == pytest.approx(0.012)


def test_a_change_of_unknown_day_adds_what_its_chance_makes_of_it():
    # Simulated: a change on one day of a hundred, sessions on days 40 and 65: in a quarter of
    # cases it lies between, and the root mean square of its effect is then half its size.
    days = np.random.default_rng(20).uniform(0, 100, 40_000)
    effect = 0.012 * ((days > 40) & (days <= 65))
    sides = [{"service": (day / 100, 0.012)} for day in (40, 65)]
    assert drift_of_pair(*sides) == pytest.approx(np.sqrt(np.mean(effect**2)), rel=0.02)
    assert drift_of_pair(sides[0], sides[0]) == 0.0
    assert drift_of_pair({}, sides[1]) == pytest.approx(0.012 * math.sqrt(0.65))


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: chart_of([[1.0]]), "one row"),
        (lambda: chart_of([1.0], least_sd=-1.0), "least_sd must be"),
        (lambda: chart_of([1.0], relative_sd=[1.0, 1.0]), "one length"),
        (lambda: chart_of([1.0], relative_sd=[0.0]), "relative_sd must be"),
        (lambda: signals([1.0, 2.0], chart_of([1.0]), FAR), "one length"),
        (lambda: signal_limits(0.0), "sessions_a_year must be"),
        (lambda: cusum_run_length(-1.0), "limit must be"),
        (lambda: drift_of_pair({"e": (1.0, -0.1)}, {}), "size of an event"),
        (lambda: drift_of_pair({"e": (1.1, 0.1)}, {}), "share of an event"),
    ],
)
def test_what_makes_no_chart_is_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()
