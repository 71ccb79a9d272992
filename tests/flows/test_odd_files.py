"""Every odd file ends as its origin says, in a shop that has been taught its layout."""

import shutil

import polars as pl
import pytest

from fixtures.odd_files import FOLDER, odd_files

ODD = {odd.name: odd for odd in odd_files()}


@pytest.fixture(scope="module")
def odd_shop(tmp_path_factory, open_little_shop, make):
    """Fill a shop with each odd file in a job of its own."""
    shop = open_little_shop(tmp_path_factory.mktemp("odd") / "shop")
    for path in (FOLDER / "layouts").glob("*.toml"):
        shutil.copy(path, shop.folder.layouts / path.name)
    for number, odd in enumerate(ODD.values(), start=1):
        named = {"rides" if odd.layout.endswith("ride") else "pulls": [odd.name]}
        stage = make.stage(**({"pulls": []} | named))
        shop.put(f"{odd.name}/{odd.name}", odd.content)
        shop.put(f"{odd.name}/card.toml", make.card(f"J-{number}", [stage], f"B-{number}"))
    shop.work()
    return shop


@pytest.fixture(scope="module")
def ends(odd_shop):
    """Return file → state, reason code, reason, layout, rows read and rejected, pull's trouble."""
    found = odd_shop.rows(
        "SELECT file.file_name, file.state, reason_code, reason, file.layout, rows_read, "
        "rows_rejected, pull.trouble FROM out.file AS file "
        "LEFT JOIN out.pull AS pull USING (file_sha256) WHERE file.file_name <> 'card.toml'"
    )
    return {name: rest for name, *rest in found}


def test_every_odd_file_has_an_end(ends):
    assert set(ends) == set(ODD)


@pytest.mark.parametrize("name", list(ODD))
def test_an_odd_file_ends_as_its_origin_says(ends, name):
    state, _, reason, layout, rows, rejected, trouble = ends[name]
    expected = ODD[name].expected
    if state == "taken in":
        assert layout == ODD[name].layout
    else:
        assert reason
    if expected == "read":
        assert (state, rejected) == ("taken in", 0)
    elif expected == "refused":
        assert state == "refused"
    elif expected == "refused or waiting":
        assert state in ("refused", "waiting")
    elif expected == "no sweep":
        assert state == "taken in"
        assert trouble
    elif expected.endswith("rejected") and expected[0].isdigit():
        assert (state, rejected) == ("taken in", int(expected.split()[0]))
        assert rows == 61 or name == "truncated.csv"
    else:
        assert state == "refused" or (state == "taken in" and rejected > 0), expected


@pytest.mark.parametrize(
    ("name", "code"),
    [
        ("empty.csv", "empty file"),
        ("header_only.csv", "no rows"),
        ("nul_bytes.csv", "nul bytes"),
        ("many_bad_rows.csv", "too many bad rows"),
        ("impossible_speed.csv", "too many bad rows"),
        ("binary_junk.csv", "layout not taught"),
        ("column_missing.csv", "layout not taught"),
        ("duplicate_header.csv", "doubled column"),
    ],
)
def test_a_refusal_names_its_cause(ends, name, code):
    if name == "binary_junk.csv":
        # Bytes that are no text cannot be told from a format that nobody has taught.
        assert ends[name][1] in (code, "binary data")
    else:
        assert ends[name][1] == code


def test_a_channel_of_impossible_values_points_at_its_unit(odd_shop):
    place = odd_shop.outcome("impossible_speed.csv/impossible_speed.csv")
    assert "engine speed is between 0 and 20000 rpm" in place.reason
    assert place.state == "refused"


def test_a_pull_of_few_samples_is_smoothed_more_and_says_so(odd_shop):
    # One sample each 100 rpm is three within 150 rpm; the four needed lie within 200, and the
    # window is 2.5 % wider, so that none of them stands on its edge.
    ((notes,),) = odd_shop.rows("SELECT notes FROM out.pull WHERE file_name = 'good_pull.csv'")
    assert "few samples: the curve is smoothed over 205 rpm on either side, not 150" in notes


def test_a_gauge_of_14_7_reads_lambda_by_its_scale_not_by_the_fuel(odd_shop):
    # 14.26 shown on a gauge that shows 14.7 at lambda 1 is 0.970, whatever is in the tank.
    ((sample_id, path),) = odd_shop.rows(
        "SELECT sample_id, sample_path FROM raw.reading WHERE layout = 'wide-ride'"
    )
    samples = pl.read_parquet(odd_shop.folder.root / path).filter(sample_id=sample_id)
    assert samples["lambda_wide"].to_list() == pytest.approx([14.26 / 14.7] * 24)
    # 40 mph is 17.8816 m/s (NIST SP 811: exactly 0.44704 m/s); 100 ms are 0.1 s.
    assert samples["roller_speed_m_s"].to_list() == pytest.approx([17.8816] * 24)
    assert samples["time_s"].to_list() == pytest.approx([0.1 * step for step in range(24)])
