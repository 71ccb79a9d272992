"""Words and number forms: what people read must be what the figures say."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from markdown_it import MarkdownIt

from warehouse import wording

MIXTURE = {
    "level": "none",
    "worst_lean_error_pct": 2.0,
    "worst_speed_rpm": 7000.0,
    "worst_lower_pct": 0.4,
    "worst_upper_pct": 3.6,
    "level_not_excluded": None,
    "more_pulls": None,
    "is_gauge_in_the_way": None,
    "is_scatter_assumed": False,
    "judged_from_rpm": 2450.0,
    "judged_to_rpm": 9800.0,
    "settling_s": 0.46,
    "is_near_peak_torque": False,
    "probe_place": "collector",
    "reason": "",
}


# CommonMark, with tables and bare links as the pages render them; markdown-it-py is the
# independent reader here.
@given(st.text(st.characters(codec="utf-8", exclude_categories=("C", "Z")), min_size=1))
def test_escaped_text_comes_out_of_markdown_as_it_went_in(text):
    tokens = MarkdownIt("commonmark").enable("table").parse(wording.escaped(text))
    assert [token.type for token in tokens] == ["paragraph_open", "inline", "paragraph_close"]
    assert "".join(child.content for child in tokens[1].children) == text
    assert {child.type for child in tokens[1].children} <= {"text", "text_special"}


def test_no_text_of_people_turns_the_reading_of_what_stands_behind_it():
    # The five overrides and embeddings and the four isolates of Unicode's annex 9, 2.1 to 2.5.
    turning = [chr(sign) for sign in (*range(0x202A, 0x202F), *range(0x2066, 0x206A))]
    assert wording.escaped(f"a{''.join(turning)}b") == f"a{9 * chr(0xFFFD)}b"


@pytest.mark.parametrize(
    "text",
    ["![x](http://example.invalid/x.png)", ":red[hot]", "$x^2$", "# head", "a|b", "<b>", "1. one"],
)
def test_signs_that_markdown_acts_on_are_all_escaped(text):
    escaped = wording.escaped(text)
    assert all(
        escaped[at - 1] == "\\" for at, sign in enumerate(escaped) if sign in "![](:$#|<>.*_`"
    )


def test_stop_is_said_with_the_error_and_the_speed():
    # The wording asked for at the bike: 17 % lean at 7,450 rpm must stop.
    said = wording.advice(
        {**MIXTURE, "level": "stop", "worst_lean_error_pct": 17.2, "worst_speed_rpm": 7450.0}
    )
    assert said.headline == "STOP: 17 % lean at 7,450 rpm"
    assert "No further pull" in said.what_to_do


@pytest.mark.parametrize("level", ["notice", "warn", "stop"])
def test_a_lean_window_near_peak_torque_names_knock(level):
    near = {**MIXTURE, "level": level, "is_near_peak_torque": True}
    assert "knock" in wording.advice(near).what_to_do
    assert "knock" not in wording.advice({**near, "is_near_peak_torque": False}).what_to_do


@pytest.mark.parametrize("mixture", [None, {**MIXTURE, "worst_lean_error_pct": None}])
def test_a_mixture_nobody_measured_is_not_good_news(mixture):
    said = wording.advice(mixture)
    assert said.level == "unknown"
    assert "NOT MEASURED" in said.headline


def test_no_level_promises_safety():
    for level in wording.LEVELS:
        said = wording.advice({**MIXTURE, "level": level})
        assert "is safe" not in said.headline + said.what_to_do.replace(
            "nothing here says that", ""
        )


@pytest.mark.parametrize(("air", "side"), [("none", "neither side"), ("one side", "one side does")])
def test_a_gain_without_air_has_no_verdict_and_says_what_is_missing(air, side):
    said = wording.gain_sentence(
        {
            "verdict": "cannot be told: no air",
            "mean_gain_pct": 11.3,
            "mean_gain_lower_pct": 5.9,
            "mean_gain_upper_pct": 17.1,
            "air_state": air,
        }
    )
    assert said.startswith("Cannot be told: no air.")
    assert "between +5.9 and +17.1 %" in said
    assert side in said
    assert "pressure" in said
    assert said.endswith("No gain is told from that")


def test_a_difference_that_is_real_alone_but_not_on_its_card_says_so():
    said = wording.gain_sentence(
        {
            "verdict": "within noise",
            "mean_gain_pct": 1.4,
            "mean_gain_lower_pct": 0.1,
            "mean_gain_upper_pct": 2.7,
            "smallest_detectable_pct": 1.9,
            "is_real_alone": True,
            "verdicts_together": 3,
        }
    )
    assert "Alone it would count as real; 3 comparisons of this card share one error rate" in said


def test_the_gain_of_a_blown_engine_says_that_it_is_as_observed():
    said = wording.gain_sentence(
        {
            "verdict": "real gain",
            "mean_gain_pct": 9.4,
            "mean_gain_lower_pct": 6.9,
            "mean_gain_upper_pct": 11.7,
            "air_state": "observed",
        }
    )
    assert said.startswith("Real gain: +9.4 %")
    assert "as observed" in said


def test_a_gain_within_noise_says_what_could_have_been_seen():
    said = wording.gain_sentence(
        {
            "verdict": "within noise",
            "mean_gain_pct": 0.4,
            "mean_gain_lower_pct": -0.9,
            "mean_gain_upper_pct": 1.7,
            "smallest_detectable_pct": 1.9,
        }
    )
    assert said.startswith(
        "Within noise: +0.4 % over the riding range, 95 % between −0.9 and +1.7 %"
    )
    assert said.endswith("could have shown 1.9 % or more")


@given(st.floats(-1e6, 1e6), st.integers(0, 3))
def test_a_number_read_back_is_the_rounded_number(value, digits):
    shown = wording.number(value, digits, signed=True)
    assert float(shown.replace("−", "-").replace(",", "")) == pytest.approx(
        value, abs=0.5000001 * 10**-digits
    )


def test_minus_zero_and_plus_zero_are_zero():
    assert wording.number(-0.04, 1, signed=True) == "0"
    assert wording.number(0.04, 1, signed=True) == "0"


def test_nothing_is_shown_as_a_dash():
    assert wording.number(None) == wording.number(float("nan")) == "–"


def test_a_power_as_measured_says_its_own_cause():
    forced, no_weather, other = (
        wording.uncorrected_sentence(why) for why in ("forced induction", "no weather", "partly")
    )
    assert "forced induction" in forced
    assert "humidity" in no_weather
    assert "induction" not in no_weather
    assert "induction" not in other
    assert "humidity" not in other


def test_cells_say_what_the_ecu_has_learnt_only_where_it_counts():
    cell = {"outside_air_most_pct": 0.0, "long_trim_pct": 6.25, "is_closed_loop": False}
    said = wording.cells_sentence([cell, cell | {"long_trim_pct": -7.0}])
    assert "up to −7.0 %" in said
    for quiet in ({"long_trim_pct": None}, {"long_trim_pct": 0.4}, {"is_closed_loop": True}):
        assert wording.cells_sentence([cell | quiet]) == ""
    assert wording.cells_sentence([]) == ""


NOTICE = {
    **MIXTURE,
    "level": "notice",
    "worst_lean_error_pct": 8.2,
    "worst_lower_pct": 6.0,
    "worst_upper_pct": 10.4,
    "level_not_excluded": "warn",
    "more_pulls": 2,
    "is_gauge_in_the_way": False,
}


def test_a_level_not_excluded_colours_the_page_and_says_what_would_settle_it():
    said = wording.advice(NOTICE)
    assert said.level == "warn"
    assert said.headline == "NOTICE: 8 % lean at 7,000 rpm; warn cannot be excluded"
    assert said.what_to_do.startswith("2 more pulls like these would settle whether it is warn")
    assert "Put the fuel right" in said.what_to_do
    assert "+6.0 to +10.4 %" in said.judged
    assert "2,450 to 9,800 rpm" in said.judged
    assert "0.46 s" in said.judged


def test_where_no_pull_would_settle_it_the_gauge_is_named():
    said = wording.advice({**NOTICE, "more_pulls": None, "is_gauge_in_the_way": True})
    assert "gauge's own accuracy is in the way" in said.what_to_do
    scattered = wording.advice({**NOTICE, "more_pulls": None})
    assert "scatter" in scattered.what_to_do


def test_no_pull_is_proposed_to_find_out_whether_it_is_stop():
    said = wording.advice({**NOTICE, "level": "warn", "level_not_excluded": "stop"})
    assert said.level == "stop"
    assert "No further pull" in said.what_to_do
    assert "more pull" not in said.what_to_do


def test_a_stage_without_a_window_says_what_it_cannot_exclude():
    said = wording.advice({**NOTICE, "level": "none", "level_not_excluded": "notice"})
    assert said.headline == "NO LEAN WINDOW SEEN; notice cannot be excluded"
    assert said.level == "notice"


def test_an_assumed_scatter_and_a_probe_that_never_settled_are_said():
    assert "assumed" in wording.advice({**NOTICE, "is_scatter_assumed": True}).judged
    why = {"reason": "the probe needs 0.46 s to settle", "remedy": "Pull in a higher gear."}
    said = wording.advice({**MIXTURE, "worst_lean_error_pct": None, **why})
    assert said.what_to_do.startswith("The probe needs 0.46 s to settle: nothing here says")
    assert said.what_to_do.endswith("Pull in a higher gear.")


@pytest.mark.parametrize(("suggested", "written"), [(0.0, "0"), (0.04, "0"), (-0.04, "0"),
                                                    (0.06, "+0.1*"), (-3.0, "−3.0*")])  # fmt: skip
def test_a_cell_with_nothing_to_enter_has_no_star_of_a_limit(suggested, written):
    assert wording.fuel_to_enter(suggested, "guard") == written
    assert wording.fuel_to_enter(suggested, "") == written.rstrip("*")


@pytest.mark.parametrize(("lines", "points"), [(5, 5), (6, 6), (7, 6)])
def test_a_list_that_is_cut_says_how_many_more_there_are(lines, points):
    said = wording.listed([f"map {at}" for at in range(lines)], 5).split("\n")
    assert len(said) == points
    assert ("and 2 more" in said[-1]) == (lines == 7)


@pytest.mark.parametrize(
    ("levels", "said"),
    [
        (["notice"], "None of this quarter's stages on a shop map runs lean at warn or stop level; "
         "in 1 stage that cannot be excluded."),
        (["warn", "stop", "notice"], "2 stages on the shop's own maps still run lean at warn or "
         "stop level; in 1 more that cannot be excluded."),
    ],
)  # fmt: skip
def test_maps_that_may_be_lean_are_counted_beside_those_that_are(levels, said):
    assert wording.off_target_sentence([{"level": level} for level in levels]) == said


def test_a_list_says_why_a_gain_whose_range_leaves_out_0_is_noise():
    noise = {"verdict": "within noise", "mean_gain_lower_pct": 0.3, "mean_gain_upper_pct": 5.7}
    around = noise | {"mean_gain_lower_pct": -0.3}
    no_air = noise | {"mean_gain_lower_pct": None, "mean_gain_upper_pct": None}
    told = wording.noise_apart_from_0([noise, around, no_air, noise | {"verdict": "real gain"}])
    assert told.startswith("1 gain whose range leaves out 0 is within noise: one of several comp")
    assert wording.noise_apart_from_0([around, no_air]) == ""
