"""The benchmark measures what it says: every file and row, on both sides, and nothing else."""

import hashlib
import io
import tomllib

import duckdb
import numpy as np
import pytest
from rich.console import Console

from schemas.card import read_card
from schemas.layout import read_layouts
from schemas.settings import read_settings
from tests.bench import logs
from tests.bench import path as bench

PULLS, RIDES, RIDE_ROWS = 32, 3, 1500


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("heap")
    return folder, logs.write_bench_shop(folder, PULLS, RIDES, RIDE_ROWS)


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    told = []
    folder = tmp_path_factory.mktemp("bench")
    report = bench.run_bench(PULLS, RIDES, RIDE_ROWS, folder, lambda *line: told.append(line))
    console = Console(file=io.StringIO(), width=200)
    console.print(report)
    return folder, console.file.getvalue(), told


def _table(text):
    """Return the report's rows by phase."""
    rows = [
        line.strip("\n ")[1:-1].split("|") for line in text.splitlines() if line.startswith("|")
    ]
    return {row[0].strip(): [cell.strip() for cell in row[1:]] for row in rows}


def test_the_shop_has_as_many_files_as_asked_for(made):
    folder, shop = made
    assert len(list(folder.glob("inbox/*/*.csv"))) == PULLS == len(shop.pulls)
    assert len(list(folder.glob("inbox/*/*.txt"))) == RIDES == len(shop.rides)
    assert len(list(folder.glob("inbox/*/card.toml"))) == shop.jobs == 4


def test_no_two_files_hold_the_same_bytes(made):
    _, shop = made
    files = shop.pulls + shop.rides
    assert len({hashlib.sha256(path.read_bytes()).digest() for path in files}) == len(files)


def test_the_same_shop_is_written_twice(made, tmp_path):
    folder, _ = made
    logs.write_bench_shop(tmp_path, PULLS, RIDES, RIDE_ROWS)
    names = sorted(path.relative_to(folder) for path in folder.rglob("*") if path.is_file())
    assert names
    for name in names:
        assert (tmp_path / name).read_bytes() == (folder / name).read_bytes()


def test_settings_layouts_and_cards_are_without_mistakes(made):
    folder, _ = made
    read_settings(folder / "rollbook.toml")
    layouts, mistakes = read_layouts(folder / "layouts")
    assert mistakes == {}
    assert {layout.layout.kind for layout in layouts} == {"pull", "ride"}
    for path in folder.glob("inbox/*/card.toml"):
        assert len(read_card(path.read_text(encoding="utf-8")).stage) == 2


def test_bikes_come_back_models_sell_unlike_and_the_control_bike_stays_unchanged():
    bikes, met, control = {}, set(), 0
    for job in range(6000):
        card = tomllib.loads(logs._card(job))
        before, after = card["stage"]
        is_changed = (before.get("parts", []), before["map"]) != (after["parts"], after["map"])
        assert is_changed != card["bike"]["control"]
        control += card["bike"]["control"]
        # One bike is of one model, however often it comes.
        said = (card["bike"]["model"], card["bike"]["displacement_cc"])
        assert bikes.setdefault(card["bike"]["reference"], said) == said
        met.add((card["bike"]["model"], after["name"]))
    models = [model for model, _ in bikes.values()]
    assert control == 6000 // logs.CONTROL_EVERY
    assert 4_500 < len(bikes) < 5_500
    assert len(set(models)) == len(logs.MODELS) == 60
    assert 350 < max(models.count(model) for model in set(models)) <= 450
    assert len(met) >= 60 * len(logs.CHANGES)


def test_power_in_a_pull_is_torque_times_speed_of_a_believable_engine(made):
    # Common practice, no source: naturally aspirated road engines make 70 to 130 N*m a litre.
    _, shop = made
    names = [column.name for column in logs.PULL_COLUMNS]
    for path in shop.pulls:
        job = int(path.parent.name.removeprefix("J-"))
        rows = np.loadtxt(path, delimiter=",", skiprows=logs.PULL_HEAD_LINES + 1)
        assert rows.shape == (logs.PULL_ROWS, len(names))
        engine, power, grip = (rows[:, names.index(n)] for n in ("Engine", "Power", "Throttle"))
        torque_nm = power * 1000.0 / (engine * 2.0 * np.pi / 60.0)
        litres = logs._model(job).displacement_cc / 1000.0
        assert 55.0 < torque_nm[grip > 90.0].max() / litres < 130.0


@pytest.mark.parametrize(
    ("pulls", "rides", "ride_rows", "message"),
    [
        pytest.param(0, 1, 1000, "pulls must be at least 1, got 0", id="no pulls"),
        pytest.param(1, -1, 1000, "rides must be at least 0, got -1", id="negative rides"),
        pytest.param(1, 1, 499, "ride_rows must be at least 500, got 499", id="short rides"),
    ],
)
def test_a_size_that_makes_no_shop_is_refused(tmp_path, pulls, rides, ride_rows, message):
    with pytest.raises(ValueError, match=message):
        logs.write_bench_shop(tmp_path, pulls, rides, ride_rows)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_holds_other_things_is_left_alone(tmp_path):
    (tmp_path / "letter.txt").write_text("Dear", encoding="utf-8")
    with pytest.raises(bench.BenchError, match="holds other things"):
        bench.run_bench(10, 0, 500, tmp_path, lambda *_: None)
    assert [path.name for path in tmp_path.iterdir()] == ["letter.txt"]


def test_lost_rows_stop_the_benchmark():
    found = bench.Measured({}, {}, None, files=3, rows=1799)
    with pytest.raises(bench.BenchError, match="1800 rows went in, 3 files and 1799 rows came out"):
        bench._refuse_loss("update", found, files=3, rows=1800)


def test_a_process_that_fails_stops_the_benchmark():
    with pytest.raises(bench.BenchError, match="process of the nobody"):
        bench._in_fresh_process("nobody", {}, lambda *_: None)


@pytest.mark.long
def test_the_floor_reads_every_row_and_the_same_values(measured):
    folder, _, _ = measured
    # numpy is the other reader here.
    for kind, pattern, skip in (("pulls", "*.csv", 5), ("rides", "*.txt", 1)):
        paths = sorted(folder.glob(f"shop/inbox/*/{pattern}"))
        if kind == "pulls":  # the pull that was dropped in afterwards
            paths.remove(folder / "shop" / "inbox" / "J-00000" / "as_arrived_10.csv")
        rows = np.concatenate([np.loadtxt(path, delimiter=",", skiprows=skip) for path in paths])
        query = "SELECT * EXCLUDE (sha) FROM read_parquet(?)"
        found = duckdb.execute(query, [f"{folder}/floor-{kind}/*.parquet"]).fetchnumpy()
        assert len(found) == rows.shape[1]
        for place, column in enumerate(found.values()):
            assert np.sort(column) == pytest.approx(np.sort(rows[:, place]))


@pytest.mark.long
def test_the_floor_archives_every_file_under_its_own_sum(measured):
    folder, _, _ = measured
    held = {path.name for path in folder.glob("floor-*/*") if path.suffix != ".parquet"}
    files = [path for path in folder.glob("shop/inbox/*/*") if path.suffix in (".csv", ".txt")]
    sums = {hashlib.sha256(path.read_bytes()).hexdigest() for path in files}
    assert held < sums
    assert len(sums - held) == 1  # the pull that was dropped in afterwards


@pytest.mark.long
def test_the_report_names_every_step_and_its_parts_add_up(measured):
    _, text, _ = measured
    table = _table(text)
    steps = list(table)[list(table).index("floor, without start") + 1 :]
    for step in ("archive what arrived", "read files", "link files to stages", "draw curves",
                 "read rides", "pool effects", "publish"):  # fmt: skip
        assert step in steps
    # A step that had nothing to do the second time has no figures there.
    table = {
        step: [cell or "0" for cell in [*cells, *[""] * 6][:6]] for step, cells in table.items()
    }
    # Each figure is rounded to 0.01 s.
    for column, tolerance in ((0, 0.12), (1, 0.12), (4, 0.12), (5, 0.12)):
        parts = [float(table[step][column] or 0.0) for step in steps if step not in
                 ("start", "Rollbook, without start")]  # fmt: skip
        whole = float(table["Rollbook, without start"][column])
        assert sum(parts) == pytest.approx(whole, abs=tolerance)


@pytest.mark.long
def test_the_report_states_size_machine_ratio_and_memory(measured):
    _, text, _ = measured
    assert "32 pulls and 3 rides in 4 jobs: 23,700 rows" in text  # 32 · 600 + 3 · 1500
    for word in (
        "Rollbook / floor",
        "intake of pulls",
        "intake of rides",
        "to the published snapshot",
        "Peak memory:",
    ):
        assert word in text


@pytest.mark.long
def test_progress_reaches_the_one_who_asked(measured):
    _, _, told = measured
    words = {word for _, _, word in told}
    assert {"making logs", "reading", "drawing curves"} <= words
    assert all(done <= total for done, total, _ in told)
