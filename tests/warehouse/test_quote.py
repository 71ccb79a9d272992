"""What may be quoted, in words: both sentences, what stands behind them, and the score."""

import polars as pl
import pytest
from scipy import stats

from warehouse import quote

NOTHING = pl.DataFrame(schema={"left_out_for": pl.String, "unlike_reason": pl.String})
ROW = {
    "model_id": "M-1", "bikes": 5, "jobs": 6, "models": 3, "bikes_of_all_models": 12,
    "own_mean_pct": 4.6, "mean_pct": 4.02, "lower_pct": 3.1, "upper_pct": 5.0,
    "next_lower_pct": 2.14, "next_upper_pct": 5.93,
    "measured_lower_pct": 1.46, "measured_upper_pct": 6.61,
    "planned_sd_pct": 0.9, "between_bikes_sd_pct": 0.7, "borrowed_share": 0.34, "prior_share": 0.6,
}  # fmt: skip


def quoted(row=None, score=None, left_out=NOTHING, nearest=()):
    figure = next(iter(quote.FIGURES))
    return quote.Quote(
        "Orvo Lark", "silencer, with remap", figure, row, score, left_out, list(nearest)
    )


def test_two_sentences_say_the_bike_and_its_measurement():
    first, second = quoted(ROW).sentences
    assert first == (
        "This change (silencer, with remap) gives 19 of 20 bikes like yours (Orvo Lark) a gain of "
        "2.1 to 5.9 % in power over the riding range."
    )
    assert "19 of 20 will show a gain of 1.5 to 6.6 %" in second


@pytest.mark.parametrize(
    ("lower", "upper", "said"),
    [
        (-0.44, 5.0, "between a loss of 0.4 % and a gain of 5.0 %"),
        (-4.0, -1.0, "a loss of 1.0 to 4.0 %"),
        (-0.04, 3.0, "a gain of 0 to 3.0 %"),
        (-3.0, 0.04, "a loss of 0 to 3.0 %"),
    ],
)
def test_a_loss_is_said_as_a_loss(lower, upper, said):
    row = ROW | {"next_lower_pct": lower, "next_upper_pct": upper}
    assert said in quoted(row).sentences[0]


def test_behind_it_stand_bikes_what_is_borrowed_and_what_is_assumed():
    said = " ".join(quoted(ROW).evidence)
    assert "5 bikes of this model had it, in 6 jobs: +4.6 % on average." in said
    borrowed = "With 34 % borrowed from 7 bikes of 2 other models: mean +4.0 % (+3.1 to +5.0)."
    assert borrowed in said
    assert "60 % of that is assumed" in said


def test_a_model_that_never_had_the_change_is_quoted_from_others_and_says_so():
    labels = {"model_labels": ["Orvo Finch", "Orvo Kite", "Orvo Swift"]}
    found = quoted(ROW | labels | {"model_id": None, "bikes": 12, "borrowed_share": 1.0})
    assert found.sentences[0].startswith("We have never measured this change (silencer, with")
    assert "Going by 12 bikes of 3 models, it would give" in found.sentences[0]
    assert "like yours" not in " ".join(found.sentences)
    assert "all is borrowed from 12 bikes of 3 other models" in found.evidence[0]


def test_two_bikes_of_one_other_model_are_named_and_what_they_cannot_tell_is_said():
    lent = {"model_id": None, "bikes": 2, "bikes_of_all_models": 2, "models": 1,
            "model_labels": ["Orvo Finch"], "borrowed_share": 1.0}  # fmt: skip
    found = quoted(ROW | lent)
    assert "Going by 2 bikes of Orvo Finch" in found.sentences[0]
    assert "would show" in found.sentences[1]
    assert "One model does not tell how models differ: that is assumed." in found.evidence


def test_a_change_never_done_cannot_be_told_and_the_nearest_are_named():
    found = quoted(nearest=["silencer, map untouched"])
    assert "cannot be told" in found.sentences[0]
    assert found.evidence == ["Nearest to it that were measured: silencer, map untouched."]
    assert not any("%" in said for said in found.sentences)


def test_nearest_are_those_that_share_most_parts():
    known = ["airbox, map untouched", "silencer, with remap", "remap, on silencer"]
    assert quote.nearest("silencer + airbox, with remap", known) == [
        "silencer, with remap",
        "remap, on silencer",
        "airbox, map untouched",
    ]
    assert quote.nearest("turbo", known) == []


@pytest.mark.parametrize(("held", "tried"), [(177, 206), (190, 200), (3, 3), (0, 5)])
def test_the_chance_of_a_score_is_the_binomial_one(held, tried):
    assert quote.at_most(held, tried) == pytest.approx(stats.binom.cdf(held, tried, 0.95))


def score(held, tried, of_change=0):
    return {
        "promises": tried, "promises_held": held,
        "promises_of_change": of_change, "promises_of_change_held": of_change,
    }  # fmt: skip


def test_a_score_that_chance_does_not_explain_is_told():
    # Binomial, 19 of 20: 177 or fewer of 206 has a chance below 1e-6, 190 of 200 of one half.
    assert "fewer than chance explains" in quoted(ROW, score(177, 206)).promises
    assert "177 of the last 206 quotes came true, 19 of 20 were meant" in (
        quoted(ROW, score(177, 206)).promises
    )
    assert "fewer" not in quoted(ROW, score(190, 200)).promises
    assert "No quote could be tried yet" in quoted(ROW).promises
    assert quoted(ROW, score(190, 200)).promises_of_change == ""
    assert quoted(ROW, score(190, 200, 4)).promises_of_change == (
        "On this model and change: 4 of 4, too few to tell."
    )


@pytest.mark.parametrize(("held", "tried"), [(65, 65), (60, 65), (1, 20), (0, 30), (194, 200)])
def test_the_interval_of_a_share_is_that_of_clopper_and_pearson(held, tried):
    # scipy.stats.binomtest(...).proportion_ci(method="exact") is the reference.
    expected = stats.binomtest(held, tried).proportion_ci(0.95, "exact")
    assert quote.share_interval(held, tried) == pytest.approx((expected.low, expected.high))


def test_a_full_score_does_not_promise_more_than_so_many_quotes_can_tell():
    said = quoted(ROW, score(65, 65)).promises
    # By hand: 0.025 ** (1 / 65) = 0.9448.
    assert "65 of the last 65 quotes came true, 19 of 20 were meant" in said
    assert said.endswith("by these the true share lies between 94 and 100 %.")


def test_a_few_quotes_that_came_true_are_too_few_to_tell():
    assert quoted(ROW, score(2, 2)).promises.endswith("too few to tell.")
    # 0 of 5 has a chance of 0.05 ** 5: even so few tell that.
    assert "fewer than chance explains" in quoted(ROW, score(0, 5)).promises


def test_what_is_left_out_is_counted_with_its_commonest_reason():
    left_out = pl.DataFrame(
        {
            "left_out_for": ["not like for like"] * 3 + ["two jobs"],
            "unlike_reason": ["fuel E5 before, E10 after"] * 2 + ["weather in doubt", ""],
        }
    )
    (said,) = [s for s in quoted(ROW, left_out=left_out).evidence if s.startswith("Left out")]
    assert said == (
        "Left out: 3 not like for like (fuel E5 before, E10 after); 1 from one job to a later one."
    )


@pytest.mark.parametrize(
    ("held", "tried", "is_doubted"),
    # scipy.stats.binom.cdf(held, tried, 0.95): 0.071, 0.370, 0.0975 and 0.264; of 20: 0.0755, so
    # few quotes are doubted at one in ten, many at one in forty (17 of 20) as the score itself is.
    [(7, 9, True), (8, 9, False), (1, 2, True), (17, 20, False), (15, 20, True), (0, 0, False)],
)
def test_a_poor_record_of_its_own_stands_beside_the_quote(held, tried, is_doubted):
    chance = stats.binom.cdf(held, tried, 0.95)
    assert is_doubted == (chance < (0.10 if tried < 20 else 0.025))
    told = score(194, 200) | {"promises_of_change": tried, "promises_of_change_held": held}
    said = quoted(ROW, told).caution
    few = ", too few to be sure" if tried < 20 else ""
    own = f"This model and change: {held} of {tried} held so far{few}: do not lean on it."
    assert said == (own if is_doubted else "")
    assert quoted(None, told).caution == ""


def test_a_poor_record_of_all_quotes_is_told_where_the_own_one_is_not_poor():
    assert quoted(ROW, score(7, 9)).caution.startswith("All quotes: 7 of 9 held so far")
    assert quoted(ROW).caution == ""
