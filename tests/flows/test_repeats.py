"""One run that came more than once, in another layout, unit or name, counts once, shop-wide."""

import shutil

import numpy as np
import pytest

from fixtures.odd_files import FOLDER as ODD


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
    two_layouts.work()
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
    two_layouts.work()
    job(two_layouts, make, 2, {"lauf.csv": in_other_words(run)})
    two_layouts.work()
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
    two_layouts.work()
    two_layouts.put("job 1/card.toml", make.card("J-1", [make.stage(pulls=[])], bike="B-1"))
    two_layouts.work()
    assert two_layouts.rows("SELECT file_name, is_used FROM out.pull") == [("lauf.csv", True)]


def test_two_runs_of_one_bike_are_two_pulls(two_layouts, make):
    runs = [noisy(make, seed) for seed in (4, 5)]
    job(two_layouts, make, 1, {"run.csv": runs[0], "run_b.csv": in_other_words(runs[1])})
    two_layouts.work()
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
    two_layouts.work()
    assert [row[1] for row in used(two_layouts)] == [True, True]


def test_the_same_numbers_with_another_remark_in_the_head_count_once(shop, make):
    run = noisy(make, 7)
    job(shop, make, 1, {"run.csv": run, "run_copy.csv": "remark: copied\n" + run})
    shop.work()
    troubles = used(shop)
    assert [row[1] for row in troubles] == [True, False]
    assert troubles[1][2] == "the same pull as run.csv, exported again"
