"""One run that came more than once, in another layout, unit or name, counts once, shop-wide."""

import shutil

import duckdb
import numpy as np
import pytest

from fixtures.odd_files import FOLDER as ODD
from flows.steps import repeats
from flows.steps.link import link_jobs
from flows.steps.progress import quietly
from tests.bench.filled_shop import fill_curves, fill_ledger
from warehouse import store


@pytest.fixture
def two_layouts(shop):
    shutil.copy(ODD / "layouts" / "comma-pull.toml", shop.folder.layouts / "comma-pull.toml")
    return shop


def noisy(make, seed, level=1.0, begun="2025-03-14 10:40"):
    """Return a pull with the noise of a run of its own."""
    random = np.random.default_rng(seed)
    lines = make.pull(level, begun=begun).splitlines()
    for at, line in enumerate(lines):
        cells = line.split(",")
        if len(cells) == 5 and cells[4] == "100":
            cells[2] = f"{float(cells[2]) * (1 + 0.004 * random.normal()):.3f}"
            lines[at] = ",".join(cells)
    return "\n".join(lines) + "\n"


def in_other_words(text, begun="14.03.2025 10:40"):
    """Return a pull of plain-pull as comma-pull writes it: ms, decimal commas, corrected power."""
    head = [
        "Lauf: 7", "Luftdruck: 978,0", "Lufttemperatur: 22,0", "Luftfeuchte: 45",
        "Korrekturfaktor: 1,0393", f"Beginn: {begun}",
        "Zeit;Drehzahl;Leistung;Lambda;Öffnung", "ms;1/min;kW;-;%",
    ]  # fmt: skip
    rows = []
    for line in text.splitlines():
        cells = line.split(",")
        if len(cells) != 5 or cells[0] == "seconds":
            continue
        time, speed, power, mixture, opening = cells
        rows.append(
            f"{float(time) * 1000:.0f};{speed};{float(power) * 1.0393:.2f};{mixture};{opening}"
            .replace(".", ",")
        )  # fmt: skip
    return "\r\n".join([*head, *rows, ""]).encode("windows-1252")


def job(shop, make, number, files):
    for name, content in files.items():
        shop.put(f"job {number}/{name}", content)
    stage = make.stage(pulls=["*.csv"])
    shop.put(f"job {number}/card.toml", make.card(f"J-{number}", [stage], bike=f"B-{number}"))


def used(shop):
    return shop.rows("SELECT file_name, is_used, trouble FROM out.pull ORDER BY stage_id, pull_no")


def test_one_run_in_two_layouts_counts_once_across_jobs(two_layouts, make):
    run = noisy(make, 1)
    job(two_layouts, make, 1, {"run.csv": run})
    job(two_layouts, make, 2, {"lauf.csv": in_other_words(run)})
    two_layouts.work_out("out.pull")
    (first, second) = used(two_layouts)
    assert first[:2] == ("run.csv", True)
    assert second[:2] == ("lauf.csv", False)
    assert second[2] == "the same pull as run.csv of job J-1, exported in another layout"
    assert two_layouts.rows(
        "SELECT source.job_folder, source.file_name, is_counted FROM out.pull_source AS source "
        "JOIN out.pull USING (pull_id) WHERE is_used ORDER BY source.job_folder"
    ) == [("job 1", "run.csv", True), ("job 2", "lauf.csv", False)]


def test_the_one_that_arrived_first_counts_whichever_is_derived_first(two_layouts, make):
    run = noisy(make, 2)
    teach_later = two_layouts.folder.layouts / "plain-pull.toml"
    held = teach_later.read_text(encoding="utf-8")
    teach_later.unlink()
    job(two_layouts, make, 1, {"run.csv": run})
    two_layouts.work_out("out.pull")
    job(two_layouts, make, 2, {"lauf.csv": in_other_words(run)})
    two_layouts.work_out("out.pull")
    assert two_layouts.rows("SELECT file_name, is_used FROM out.pull") == [("lauf.csv", True)]
    teach_later.write_text(held, encoding="utf-8")
    two_layouts.work()
    assert [row[:2] for row in used(two_layouts)] == [("run.csv", True), ("lauf.csv", False)]
    grown = two_layouts.contents("core", "out")
    two_layouts.forget_warehouse()
    two_layouts.work()
    assert two_layouts.contents("core", "out") == grown


def test_a_repeat_counts_once_the_other_is_gone(two_layouts, make):
    run = noisy(make, 3)
    job(two_layouts, make, 1, {"run.csv": run})
    job(two_layouts, make, 2, {"lauf.csv": in_other_words(run)})
    two_layouts.work_out("out.pull")
    two_layouts.put("job 1/card.toml", make.card("J-1", [make.stage(pulls=[])], bike="B-1"))
    two_layouts.work_out("out.pull")
    assert two_layouts.rows("SELECT file_name, is_used FROM out.pull") == [("lauf.csv", True)]


def test_two_runs_of_one_bike_are_two_pulls(two_layouts, make):
    runs = [noisy(make, seed) for seed in (4, 5)]
    job(two_layouts, make, 1, {"run.csv": runs[0], "run_b.csv": in_other_words(runs[1])})
    two_layouts.work_out("out.pull")
    assert [row[1] for row in used(two_layouts)] == [True, True]


def test_runs_begun_an_hour_apart_are_two_however_alike(two_layouts, make):
    # comma-pull's layout here gets its start, so that both sides have one.
    layout = two_layouts.folder.layouts / "comma-pull.toml"
    text = layout.read_text(encoding="utf-8")
    if "started_at" not in text:
        text += '\n[metadata.fields.started_at]\nkey = "Beginn"\nformat = "%d.%m.%Y %H:%M"\n'
        layout.write_text(text, encoding="utf-8")
    run = noisy(make, 6)
    job(
        two_layouts,
        make,
        1,
        {"run.csv": run, "run_b.csv": in_other_words(run, begun="14.03.2025 11:40")},
    )
    two_layouts.work_out("out.pull")
    assert [row[1] for row in used(two_layouts)] == [True, True]


def test_the_same_numbers_with_another_remark_in_the_head_count_once(shop, make):
    run = noisy(make, 7)
    job(shop, make, 1, {"run.csv": run, "run_copy.csv": "remark: copied\n" + run})
    shop.work_out("out.pull")
    troubles = used(shop)
    assert [row[1] for row in troubles] == [True, False]
    assert troubles[1][2] == "the same pull as run.csv, exported again"


def test_no_pair_of_one_run_is_lost_by_looking_at_likely_ones_only():
    # Another method: every pull against every other, by the same judgement of two curves.
    connection = duckdb.connect()
    store.create(connection)
    jobs = range(24)
    fill_ledger(connection, jobs)
    link_jobs(connection, quietly)
    ids = sorted(pull_id for batch in fill_curves(connection, jobs) for pull_id in batch)
    # A third has no start. Some are exports of the one before: rounded, of another level, a little
    # shorter, in another layout, with a hole, or as they were.
    for place in range(0, len(ids), 3):
        connection.execute("UPDATE out.pull SET started_at = NULL WHERE pull_id = ?", [ids[place]])
    for number, place in enumerate(range(1, 120, 2)):
        twin, of = ids[place], ids[place - 1]
        connection.execute(
            "UPDATE out.pull SET layout = $3, sweep_from_rpm = of.sweep_from_rpm, "
            "sweep_to_rpm = of.sweep_to_rpm, peak_power_w = of.peak_power_w, "
            "started_at = of.started_at FROM (SELECT * FROM out.pull WHERE pull_id = $2) AS of "
            "WHERE pull.pull_id = $1",
            [twin, of, "other" if number % 4 else "bench-pull"],
        )
        connection.execute("DELETE FROM out.pull_curve WHERE pull_id = ?", [twin])
        connection.execute(
            "INSERT INTO out.pull_curve SELECT * REPLACE ($1 AS pull_id, "
            "power_w * $3 * (1 + $5 * sin(engine_speed_rpm / 700)) AS power_w) "
            "FROM out.pull_curve WHERE pull_id = $2 "
            "AND engine_speed_rpm NOT BETWEEN $4 AND $4 + 200",
            # The wiggle scatters by nine tenths of what two exports of one run may.
            [twin, of, *((1.0, 5000, 0.0) if number % 4 == 0 else (1.004, 0, 0.00101))],
        )
    runs = repeats._runs(connection, ids)
    one_run = {
        frozenset((a, b))
        for place, a in enumerate(ids)
        for b in ids[:place]
        if repeats.is_same_run(runs[a], runs[b])
    }
    assert len(one_run) >= 40
    for asked in (ids, ids[:50]):
        found = repeats._pairs(connection, asked)
        assert {frozenset(pair) for pair in found} == {p for p in one_run if p & set(asked)}
    connection.close()
