"""Settings: defaults that stand in an empty file, and refusals in plain words."""

import pytest

from flows.metrics.fuel import FORMULAS
from flows.settings import NEW_SHOP
from schemas.settings import FUEL_COMPONENTS, ShopSettings, read_settings
from schemas.toml_text import MistakesError


def read(tmp_path, text):
    path = tmp_path / "rollbook.toml"
    path.write_text(text, encoding="utf-8")
    return read_settings(path)


def test_an_empty_file_is_a_valid_one(tmp_path):
    settings = read(tmp_path, "")
    # Common practice, no source: full throttle about 0.87, cruise 0.94 to 1.00, 5, 10 and 15 %.
    assert settings.mixture.target_full_throttle == 0.87
    assert (settings.mixture.cruise_low, settings.mixture.cruise_high) == (0.94, 1.0)
    assert (settings.mixture.notice_pct, settings.mixture.warn_pct, settings.mixture.stop_pct) == (
        5.0,
        10.0,
        15.0,
    )


def test_the_settings_of_a_new_shop_are_the_defaults(tmp_path):
    assert (
        read(tmp_path, (NEW_SHOP / "rollbook.toml").read_text(encoding="utf-8")) == ShopSettings()
    )


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[mixture]\nwarn_pct = 4.0\n", "notice_pct, warn_pct and stop_pct must rise"),
        ("[mixture]\nstop_pct = 10.0\n", "notice_pct, warn_pct and stop_pct must rise"),
        ("[mixture]\ncruise_low = 1.0\n", "cruise_low must be below cruise_high"),
        ("[mixture]\nwarm_pct = 10.0\n", "line 2: mixture.warm_pct is not a key"),
        ("[figures]\nreference_air = 'DIN 70020'\n", "line 2: figures.reference_air must be"),
        ("[figures]\nbandwidth_rpm = 10\n", "line 2: figures.bandwidth_rpm"),
        ("[shop]\ntimezone = 'Europe/Atlantis'\n", "'Europe/Vienna', got 'Europe/Atlantis'"),
        ("[shop]\naltitude_m = 9000\n", "line 2: shop.altitude_m"),
        ("[trust]\nrepeatability_share = 0.5\n", "line 2: trust.repeatability_share"),
        ("[show]\npower = 'bhp'\n", "line 2: show.power must be 'kW', 'PS' or 'hp'"),
        ("[intake]\nmost_rejected_share = 5\n", "line 2: intake.most_rejected_share"),
        ("[schedule]\nintake_minutes = 0\n", "line 2: schedule.intake_minutes"),
        ("[[fuel]]\nname = 'E10'\nmass_shares = { water = 1.0 }\n", "must name gasoline,"),
        ("[[fuel]]\nname = 'X'\nmass_shares = { ethanol = 0.5 }\n", "got a sum of 0.5"),
        ("[[fuel]]\nname = 'E10'\n[[fuel]]\nname = 'e10'\n", "fuel 'e10' is told twice"),
        ("[[fuel]]\nname = 'X'\ncruise_low = 1.1\n", "cruise_low must be below cruise_high"),
        (
            "[[fuel]]\nname = 'X'\nethanol_volume_share = 0.1\nmass_shares = { ethanol = 1.0 }\n",
            "not both",
        ),
        (
            "[[fuel]]\nname = 'X'\nmass_shares = { gasoline = nan, ethanol = 0.5 }\n",
            "gasoline = nan",
        ),
        ("[[fuel]]\nname = 'X'\nmass_shares = { gasoline = 1.2, ethanol = -0.2 }\n", "from 0 to 1"),
        (
            "[[map_axes]]\nthrottle_pct = [0, 100]\nspeed_rpm = [0, 9000]\nstep_pct = 5\n"
            "[suggestion]\nmost_enrichment_pct = 2\n",
            "step_pct must be at most 2",
        ),
        ("[[map_axes]]\nthrottle_pct = [5, 0]\nspeed_rpm = [0, 1]\n", "must ascend"),
        ("[[map_axes]]\nthrottle_pct = [0, 101]\nspeed_rpm = [0, 1]\n", "from 0 to 100"),
        ("[suggestion]\nmost_total_pct = 90\n", "suggestion.most_total_pct"),
        ("[shops]\n", "shops is not a key that belongs here"),
    ],
)
def test_a_mistake_is_told_in_plain_words(tmp_path, text, said):
    with pytest.raises(MistakesError) as found:
        read(tmp_path, text)
    assert any(said in sentence for sentence in found.value.mistakes), found.value.mistakes
    assert found.value.source == "rollbook.toml"


def test_a_fuel_has_targets_of_its_own_and_the_shops_where_it_is_silent(tmp_path):
    settings = read(tmp_path, "[[fuel]]\nname = 'Race 20'\ntarget_full_throttle = 0.9\n")
    wanted = settings.mixture_on("race 20")
    assert (wanted.target_full_throttle, wanted.cruise_high) == (0.9, 1.0)
    assert settings.mixture_on("E5") == settings.mixture


def test_the_first_axes_that_fit_the_map_and_the_model_are_taken(tmp_path):
    axes = "throttle_pct = [0, 100]\nspeed_rpm = [0, {}]\n"
    settings = read(
        tmp_path,
        f"[[map_axes]]\nmap = 'road'\n{axes.format(8000)}"
        f"[[map_axes]]\nmodel = 'Strada 690'\n{axes.format(9000)}",
    )
    assert settings.axes_of("Strada 690", "road").speed_rpm[-1] == 8000
    assert settings.axes_of("Strada 690", "stock").speed_rpm[-1] == 9000
    assert settings.axes_of("Veloce 900", "stock") is None


def test_what_fuels_may_be_mixed_of_is_what_the_metrics_know():
    assert set(FUEL_COMPONENTS) == set(FORMULAS)
