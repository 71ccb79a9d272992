"""What is known to be wrong and not mended: each test's name says what should hold.

They are marked strict: whoever mends one is told so by a red run, and takes its mark away.
"""

import numpy as np
import pytest

from warehouse import store

not_mended = pytest.mark.xfail(strict=True)

UNCOUNTED = (
    "out.expected_mixture_speed",
    "out.map_revision_speed",
    "out.session_pull",
    "out.similar_build",
    "out.stage_heat",
    "out.transient",
)


@not_mended
def test_a_list_that_lost_all_its_rows_is_told_by_a_check(demo_copy):
    with store.writer(demo_copy) as connection:
        before = store.failed_checks(connection)
        for table in UNCOUNTED:
            assert store.first(connection, f"SELECT count(*) FROM {table}")[0]  # noqa: S608
            connection.execute(f"DELETE FROM {table}")  # noqa: S608
        told = {check.table for check, _ in store.failed_checks(connection)}
        assert set(UNCOUNTED) <= told - {check.table for check, _ in before}


@not_mended
def test_a_remark_above_a_row_of_units_costs_no_row(shop, make):
    lines = make.pull().splitlines()
    header = next(at for at, line in enumerate(lines) if line.startswith("seconds"))
    lines[header + 1 : header + 1] = ["all as recorded", "s,rpm,kW,1,%"]
    shop.put("job 1/pull_1.csv", "\n".join(lines) + "\n")
    shop.put("job 1/card.toml", make.card())
    shop.take_in()
    assert shop.rows("SELECT state, rows_rejected FROM raw.reading") == [("read", 0)]


@not_mended
def test_a_layout_that_was_deleted_is_told_before_a_file_waits_for_it(shop):
    shop.job(1)
    shop.update()
    (shop.folder.layouts / "plain-pull.toml").unlink()
    with store.writer(shop.folder) as connection:
        from flows.intake import take_in

        taken = take_in(connection, shop.folder, shop.settings)
    assert any("plain-pull" in told for told in (*taken.mended, *taken.layout_mistakes))


@not_mended
def test_axes_named_for_a_revision_that_no_map_has_are_told(shop, make):
    with shop.folder.settings.open("a", encoding="utf-8") as file:
        file.write(
            '\n[[map_axes]]\nmap = "touring r3"\nspeed_rpm = [2000, 4000, 6000]\n'
            "throttle_pct = [0, 20, 60, 100]\n"
        )
    shop.job(1)
    taken = shop.take_in()
    assert "touring r3" in repr(taken)


@not_mended
def test_a_gain_between_a_sparse_and_a_dense_pull_is_marked_unlike(shop, make):
    for stage, rows in (("s1", 101), ("s2", 26)):
        for pull in (1, 2):
            text = make.pull(1.0 + 0.001 * pull, rows=rows)
            shop.put(f"job 1/{stage}_{pull}.csv", text)
    stages = [
        make.stage("as arrived", ["s1_1.csv", "s1_2.csv"]),
        make.stage("fitted", ["s2_1.csv", "s2_2.csv"], parts=[make.part()]),
    ]
    shop.put("job 1/card.toml", make.card(stages=stages))
    shop.work()
    assert shop.rows("SELECT is_like_for_like FROM out.gain") == [(False,)]


@not_mended
def test_a_short_ride_that_came_in_two_exports_counts_once(shop, make):
    time = np.arange(0.0, 120.0, 0.1)
    speed = np.interp(
        time, [0, 27, 33, 57, 63, 87, 93, 120], np.repeat([3000, 4200, 3500, 5000], 2)
    )
    for name, places in (("one.csv", 1), ("other.csv", 0)):
        lines = ["seconds,crank,km/h,grip,lambda"]
        lines += [
            f"{t:.1f},{s:.{places}f},{s / 50:.1f},{6 + s / 500:.1f},{0.97 + shake:.4f}"
            for t, s, shake in zip(time, speed, 0.002 * np.sin(time / 3), strict=True)
        ]
        shop.put(f"job 1/{name}", "\n".join(lines) + "\n")
    stage = make.stage(pulls=[], rides=["one.csv", "other.csv"])
    shop.put("job 1/card.toml", make.card(stages=[stage]))
    shop.work()
    used = shop.rows("SELECT trouble = '' FROM out.ride ORDER BY ALL")
    assert used == [(False,), (True,)]
