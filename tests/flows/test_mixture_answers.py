"""The mixture's answers in the terminal, and the fuel change as a table to carry away."""

import csv
import io

import pytest
from rich.console import Console

from flows.mixture_answers import (
    NothingKnownError,
    print_expected,
    print_fuel_change,
    print_maps,
    write_fuel_change,
)
from warehouse.fuel_table import CAUTIONS
from warehouse.snapshot import current


def lean(speed):
    """Return a full-throttle mixture 12 % lean of 0.87 about 6,000 rpm."""
    return 0.87 * (1.12 if 5000 < speed < 7000 else 1.0)


@pytest.fixture
def snapshot(shop, make):
    shop.put("job/pull_1.csv", make.pull(1.0, mixture=lean))
    shop.put("job/pull_2.csv", make.pull(1.002, mixture=lean))
    shop.put("job/card.toml", make.card(stages=[make.stage(pulls=["pull_1.csv", "pull_2.csv"])]))
    shop.update()
    return current(shop.folder.root)


def said(printer, *arguments, **ways):
    console = Console(width=200, file=io.StringIO())
    printer(console, *arguments, **ways)
    return console.file.getvalue()


def test_a_lean_stage_is_asked_to_be_made_richer_with_the_cautions(snapshot):
    text = said(print_fuel_change, snapshot, "J-1/1")
    assert "more fuel" in text
    assert "+8.0*" in text  # 12 % is needed, and 8 % is the most for a round
    assert all(caution in text for caution in CAUTIONS)


def test_the_table_carries_its_cautions_origin_and_every_breakpoint(snapshot, tmp_path):
    path = tmp_path / "out" / "change.csv"
    write_fuel_change(snapshot, "J-1/1", path, replace=False)
    lines = path.read_text(encoding="utf-8").splitlines()
    remarks = [line for line in lines if line.startswith("# ")]
    assert [line[2:] for line in remarks[: len(CAUTIONS)]] == list(CAUTIONS)
    assert any("J-1/1" in line and "snapshot 1" in line for line in remarks)
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    assert len(rows) == 15 * 27  # the standard grid
    told = [row for row in rows if row["change_pct"]]
    assert 0 < len(told) < len(rows)
    assert all(row["throttle_pct"] == "100" or float(row["throttle_pct"]) >= 60 for row in told)
    assert max(float(row["change_pct"]) for row in told) == 8.0
    blank = next(row for row in rows if not row["change_pct"])
    assert (blank["lower_pct"], blank["evidence_share"], blank["held_by"]) == ("", "", "")


def test_a_table_that_is_there_is_not_written_over_unasked(snapshot, tmp_path):
    path = tmp_path / "change.csv"
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(FileExistsError, match="add --force"):
        write_fuel_change(snapshot, "J-1/1", path, replace=False)
    assert path.read_text(encoding="utf-8") == "mine"
    write_fuel_change(snapshot, "J-1/1", path, replace=True)
    assert path.read_text(encoding="utf-8").startswith("# ")


def test_a_stage_without_a_change_is_told_with_those_that_have_one(snapshot, tmp_path):
    for ask in (
        lambda: said(print_fuel_change, snapshot, "J-9/1"),
        lambda: write_fuel_change(snapshot, "J-9/1", tmp_path / "x.csv", replace=False),
    ):
        with pytest.raises(NothingKnownError, match="J-1/1"):
            ask()
    assert not (tmp_path / "x.csv").exists()


def test_what_to_expect_of_a_build_is_printed_by_speed(snapshot):
    text = said(print_expected, snapshot, "strada", "", "")
    assert "12 % lean" in text
    assert "start rich there" in text
    assert "From 1 bike" in text
    with pytest.raises(NothingKnownError, match="Strada 690"):
        said(print_expected, snapshot, "no such model", "", "")


def test_a_map_that_misses_is_printed_with_where(snapshot):
    text = said(print_maps, snapshot, every=False)
    assert "stock map: " in text
    assert "lean from 5," in text


def test_a_suggestion_entered_is_chained_and_checked(shop, make):
    def mended(speed):
        # 8 % were entered between 5,000 and 7,000 rpm.
        return lean(speed) / (1.08 if 5000 < speed < 7000 else 1.0)

    for name, level in (("pull_1.csv", 1.0), ("pull_2.csv", 1.002)):
        shop.put(f"job/{name}", make.pull(level, mixture=lean))
    better = {"pull_3.csv": 1.021, "pull_4.csv": 1.024}
    for name, level in better.items():
        shop.put(f"job/{name}", make.pull(level, mixture=mended, begun="2025-03-14 15:10"))
    own = 'map = { name = "own", revision = 1 }\nsuggestion_entered = true'
    stages = [
        make.stage(pulls=["pull_1.csv", "pull_2.csv"]),
        make.stage("remapped", pulls=list(better), more=own),
    ]
    shop.put("job/card.toml", make.card(stages=stages))
    shop.update()
    ((removed, came, is_suggestion),) = shop.rows(
        "SELECT removed_share, came_share, is_suggestion FROM out.fuel_change_check"
    )
    assert is_suggestion
    # By hand: 12 % lean become 1.12 / 1.08 - 1 = 3.7 %; of the error 1 - 3.7 / 12 is gone.
    assert removed == pytest.approx(1 - 3.7 / 12, abs=0.1)
    assert came == pytest.approx(1.0, abs=0.25)
    ((rounds,),) = shop.rows("SELECT earlier_rounds FROM out.fuel_change WHERE stage_id = 'J-1/2'")
    assert rounds == 1
