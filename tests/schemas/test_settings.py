"""Settings: defaults that stand in an empty file, and refusals in plain words."""

import pytest

from flows.settings import NEW_SETTINGS
from schemas.settings import ShopSettings, read_settings
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
    assert read(tmp_path, NEW_SETTINGS) == ShopSettings()


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
        ("[shops]\n", "shops is not a key that belongs here"),
    ],
)
def test_a_mistake_is_told_in_plain_words(tmp_path, text, said):
    with pytest.raises(MistakesError) as found:
        read(tmp_path, text)
    assert any(said in sentence for sentence in found.value.mistakes), found.value.mistakes
    assert found.value.source == "rollbook.toml"
