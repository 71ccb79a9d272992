"""The pull of a moment ago is on the screen by itself, and what is lean in it is seen first."""

import datetime as dt
import html
import re
import shutil
from zoneinfo import ZoneInfo

import pytest

from dashboard.arriving import arriving
from flows.steps.sessions import LEAST_WINDOW_RPM
from tests.conftest import NOW, LittleShop, pull_text
from tests.dashboard.test_pages import _page, _view
from warehouse.questions import ask
from warehouse.snapshot import current, open_reader


def lean(error_pct, from_rpm=5000, to_rpm=6000):
    """Return a mixture at the target of 0.87 but for one stretch."""
    return lambda speed: 0.87 * (1 + (error_pct / 100 if from_rpm <= speed <= to_rpm else 0))


pytestmark = pytest.mark.usefixtures("closed_snapshots")


BEHIND_IT = ("out.pull_curve", "out.session_curve", "out.stage_mixture")
"""What the page reads that is worked out."""


@pytest.fixture(scope="module")
def one_stage(tmp_path_factory):
    made = LittleShop(tmp_path_factory.mktemp("one-stage") / "shop")
    made.job(1, levels=(1.0,))
    card = made.folder.inbox / "job 1" / "card.toml"
    text = card.read_text(encoding="utf-8")
    card.write_text(re.sub(r"pulls = .*", 'pulls = ["s1_*.csv"]', text), encoding="utf-8")
    made.update()
    return made.folder.root


@pytest.fixture
def shop(one_stage, tmp_path):
    return LittleShop(shutil.copytree(one_stage, tmp_path / "shop"))


def shown(shop, monkeypatch):
    app = _page(_view("latest_pull"), shop.folder.root, monkeypatch)
    return "\n".join(html.unescape(one.proto.body) for one in app.get("html")), app


def latest(shop):
    with open_reader(current(shop.folder.root).path) as reader:
        return ask(reader, "latest_pull", held_rpm=LEAST_WINDOW_RPM).row(0, named=True)


@pytest.mark.parametrize(
    ("error_pct", "word"),
    # Of three pulls one is lean: that the mean is a level worse is not excluded, and so it is told.
    [
        (18, "✖ STOP"),
        (12, "✖ STOP not excluded"),
        (7, "▲ WARN not excluded"),
        (1, "✓ NO LEAN WINDOW"),
    ],
)
def test_a_dropped_pull_is_shown_with_its_own_lean_state_and_what_to_do(
    shop, monkeypatch, error_pct, word
):
    # The two pulls before are sound: a mean over all of them would hide what this one shows.
    shop.put("job 1/s1_3.csv", pull_text(1.02, mixture=lean(error_pct)))
    shop.show(*BEHIND_IT)
    said, app = shown(shop, monkeypatch)
    assert word in said
    assert "pull 3" in said
    assert f"{error_pct} % lean at" in said
    told = "\n".join(one.value for one in app.error)
    assert ("No further pull" in told) == word.startswith("✖")


def test_a_lean_spike_narrower_than_a_window_is_no_lean_state(shop):
    shop.put("job 1/s1_3.csv", pull_text(1.02, mixture=lean(18, 5500, 5550)))
    shop.show(*BEHIND_IT)
    assert latest(shop)["worst_lean_error_pct"] < 10


def test_the_worst_is_the_error_that_the_log_holds(shop):
    # 12 % over 1,000 rpm, by the log's own figures; the kernel's half width is 150 rpm.
    shop.put("job 1/s1_3.csv", pull_text(1.02, mixture=lean(12)))
    shop.show(*BEHIND_IT)
    row = latest(shop)
    assert row["worst_lean_error_pct"] == pytest.approx(12, abs=0.3)
    assert 5000 <= row["worst_speed_rpm"] <= 6000
    assert (row["file_name"], row["before_pull_no"]) == ("s1_3.csv", 2)


def test_a_pull_without_a_gauge_is_not_called_safe(shop, monkeypatch):
    text = pull_text(1.02).replace(",lambda,", ",spare,")
    shop.put("job 1/s1_3.csv", re.sub(r"(?m)^((?:[^,\n]*,){3})[0-9.]+,", r"\1,", text))
    shop.show(*BEHIND_IT)
    said, _ = shown(shop, monkeypatch)
    if latest(shop)["file_name"] == "s1_3.csv":
        assert "? MIXTURE NOT MEASURED" in said
    assert "NO LEAN WINDOW" not in said or "pull 2" in said


def sizes(app):
    """Return the largest letters, in rem, that each shown line is set in on a wide screen."""
    found = {}
    for one in app.get("html"):
        body = html.unescape(one.proto.body)
        for size, said in re.findall(
            r"font-size:clamp\([^,]+,[^,]+, ([\d.]+)rem\)[^>]*>([^<]+)", body
        ):
            found[said] = float(size)
    return found


def set_aside(shop, name, reason):
    card = shop.folder.inbox / "job 1" / "card.toml"
    text = f'\n[[set_aside]]\nfile = "{name}"\nreason = "{reason}"\n'
    card.write_text(card.read_text(encoding="utf-8") + text, encoding="utf-8")


def test_a_pull_that_is_set_aside_says_so_in_the_largest_words_and_compares_nothing(
    shop, monkeypatch
):
    shop.put("job 1/s1_3.csv", pull_text(1.02, mixture=lean(18)))
    set_aside(shop, "s1_3.csv", "clutch slipped")
    shop.show(*BEHIND_IT)
    said, app = shown(shop, monkeypatch)
    of = sizes(app)
    assert of["DOES NOT COUNT"] == max(of.values())
    # The state of the pull, "18 % lean", stands in the small line with its power.
    (small,) = [size for line, size in of.items() if "% lean at" in line]
    assert small == min(of.values())
    reason = next(line for line in of if "clutch slipped" in line)
    assert of[reason] > small
    assert "against" not in said
    # A lean state is a danger to the engine whether the pull counts or not.
    assert any("No further pull" in one.value for one in app.error)
    labels = [one.proto.label for one in app.get("page_link")]
    assert "Take it back →" in labels
    assert "Set this pull aside →" not in labels


def test_a_pull_set_aside_is_nothing_to_hold_the_next_against(shop):
    set_aside(shop, "s1_2.csv", "clutch slipped")
    shop.put("job 1/s1_3.csv", pull_text(1.02))
    shop.show(*BEHIND_IT)
    assert (latest(shop)["file_name"], latest(shop)["before_pull_no"]) == ("s1_3.csv", 1)


def test_a_file_that_gave_no_curve_stands_larger_than_the_pull_before_it(shop, monkeypatch):
    shop.put("walk-in/p_1.csv", pull_text(1.0))
    shop.show(*BEHIND_IT, now=NOW + dt.timedelta(minutes=1))
    said, app = shown(shop, monkeypatch)
    of = sizes(app)
    first = next(line for line in of if line.startswith("NO CURVE of the file that came "))
    assert re.search(r"came \d+ \w+ ago:", first)
    assert of[first] == max(of.values())
    assert "card.toml" in said
    # The little shop's pulls begin on 14 March 2025.
    heading = "The pull before that: B-1, 14 Mar 2025"
    assert of[heading] < of[first] / 3
    (older,) = [size for line, size in of.items() if "NO LEAN WINDOW" in line]
    assert older < of[first] / 3


def test_a_danger_of_the_pull_before_stays_beside_a_file_that_gave_no_curve(shop, monkeypatch):
    shop.put("job 1/s1_3.csv", pull_text(1.02, mixture=lean(18)))
    shop.put("walk-in/p_1.csv", pull_text(1.0))
    shop.show(*BEHIND_IT)
    said, app = shown(shop, monkeypatch)
    assert "NO CURVE" in said
    assert any("B-1: No further pull" in one.value.replace("\\", "") for one in app.error)
    assert any("can destroy an engine" in one.value for one in app.main.markdown)


def test_the_first_file_of_a_shop_that_gave_no_curve_is_told(tmp_path, monkeypatch):
    made = LittleShop(tmp_path / "shop")
    made.put("walk-in/p_1.csv", pull_text(1.0))
    made.show(*BEHIND_IT)
    said, app = shown(made, monkeypatch)
    assert "NO CURVE of the file that came" in said
    assert any("No pull has been taken in yet" in one.value for one in app.info)


def test_a_pull_of_another_day_says_its_day_in_large_type_before_its_verdict(shop, monkeypatch):
    said, app = shown(shop, monkeypatch)
    assert said.index("from 14 Mar 2025") < said.index("NO LEAN WINDOW")
    assert sizes(app)["from 14 Mar 2025"] >= 4


def test_a_pull_of_this_hour_has_its_day_and_no_warning_of_an_old_one(tmp_path, monkeypatch):
    made = LittleShop(tmp_path / "shop")
    now = dt.datetime.now(ZoneInfo("Europe/Vienna"))
    made.job(1, levels=(1.0,), begun=f"{now:%Y-%m-%d %H:%M}")
    made.show(*BEHIND_IT)
    said, _ = shown(made, monkeypatch)
    assert f"{now.day} {now:%b %Y}" in said
    assert "from " not in said


def test_two_single_pulls_are_said_to_prove_no_gain(shop, monkeypatch):
    said, _ = shown(shop, monkeypatch)
    assert "Two single pulls prove no gain." in said


def test_a_file_that_is_refused_says_so_beside_the_last_curve(shop, monkeypatch):
    shop.put("job 1/s1_9.csv", "nothing known\n")
    shop.show(*BEHIND_IT, now=NOW + dt.timedelta(minutes=1))
    said, app = shown(shop, monkeypatch)
    assert any("s1\\_9" in one.value and "no curve" in one.value for one in app.warning)
    assert "NO CURVE" in said


def test_a_file_in_the_inbox_that_is_no_curve_yet_is_told(shop, monkeypatch):
    shop.put("job 1/s1_3.csv", pull_text(1.02))
    said, _ = shown(shop, monkeypatch)
    assert "File seen: job 1 / s1_3.csv. Reading…" in said
    assert "pull 2" in said


def test_what_is_arriving_is_told_by_name_and_size_and_never_a_card(tmp_path):
    folder = tmp_path / "job 1"
    folder.mkdir()
    for name, text in {"a.csv": "12", "b.csv": "123", "card.toml": "x", ".making": "x"}.items():
        (folder / name).write_text(text, encoding="utf-8")
    held = {"job 1": [("a.csv", 2), ("b.csv", 2)]}
    assert arriving(tmp_path, held.__getitem__) == ["job 1 / b.csv"]
    assert arriving(tmp_path / "not there", held.__getitem__) == []


def test_the_width_of_a_pulls_lean_state_is_that_of_a_lean_window():
    text = _view("latest_pull").read_text(encoding="utf-8")
    assert f"HELD_RPM = {LEAST_WINDOW_RPM}" in text
