"""A channel stands in one record: with it alone it is drafted, read, kept, and shown."""

import json
import re
import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest

from schemas.channels import BY_WORD, CHANNELS
from schemas.units import conversion
from warehouse import store

REPOSITORY = Path(__file__).parents[2]

NEW = """
import json, sys
from pathlib import Path
from schemas import channels

# Before anything else has seen the records: as if it stood in the file.
made_up = channels.Channel(
    "Pressure of the oil.", "Pa", 0, 2_000_000, "A gallery bursts above it.",
    word="oil_pressure", label="Oil pressure", usual=(50_000, 900_000), units=("bar", "kPa"),
    sure=(r"oil ?(pressure|press)", "oldruck"), hints=(r"[\\\\b]oil[\\\\b]",),
)
channels.CHANNELS["oil_pressure_pa"] = made_up
channels.CHANNEL_COLUMNS["oil_pressure"] = "oil_pressure_pa"
channels.BY_WORD["oil_pressure"] = made_up

from dashboard import teach_desk
from flows import teach
from schemas.desk import AskDraft, AskTrial
from tests.conftest import LittleShop, card_text, pull_text, stage_text

root = Path(sys.argv[1])
shop = LittleShop(root)
head, rows = pull_text(1.05).split("seconds", 1)
lines = ("seconds" + rows).splitlines()
with_oil = [f"{row},{3 + at / 50:.2f}" for at, row in enumerate(lines)]
with_oil[0] = lines[0] + ",Öldruck"
file = shop.put("new/pull_1.csv", head + "\\n".join(with_oil) + "\\n")
shop.put("new/card.toml", card_text("J-2", bike="B-2", stages=[stage_text()]))
drafted = teach.drafted(AskDraft(file=file, name="with oil", shop=root))
(shop.folder.layouts / "with-oil.toml").write_text(drafted.toml, encoding="utf-8")
trial = teach.trial(AskTrial(file=file, layout=drafted.toml, shop=root))
shop.update()
course = next(one for one in trial.tried.channels if one.channel == "oil_pressure_pa")
print(json.dumps({
    "channels": list(drafted.tables["channels"]),
    "unit": drafted.tables["channels"]["oil_pressure"]["unit"],
    "state": trial.tried.verdict.state,
    "label": course.label,
    "low": [course.low, course.unit],
    "offered": "oil_pressure" in teach_desk.CHANNELS,
    "outcomes": shop.rows("SELECT DISTINCT state FROM raw.outcome WHERE state <> 'card'"),
    "behind": shop.rows("SELECT count(*) FROM out.pull WHERE made_from = ''"),
    "samples": shop.rows("SELECT sample_path FROM raw.reading JOIN raw.arrival USING (file_sha256) "
                         "WHERE job_folder = 'new' AND sample_path IS NOT NULL"),
}, ensure_ascii=False))
"""


def test_a_new_record_is_drafted_read_kept_and_shown_and_an_older_shop_goes_on(shop):
    shop.job(1)
    shop.update()
    before = {path.name for path in shop.folder.samples.iterdir()}
    # Curves of the older shop are made again, from samples that know nothing of the channel.
    with store.writer(shop.folder) as connection:
        connection.execute("UPDATE out.pull SET made_from = ''")
    done = subprocess.run(
        [sys.executable, "-c", NEW, str(shop.folder.root)],
        cwd=REPOSITORY, capture_output=True, text=True, encoding="utf-8", check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    said = json.loads(done.stdout.splitlines()[-1])
    assert "oil_pressure" in said["channels"]
    assert (said["unit"], said["state"], said["label"]) == ("bar", "taken in", "Oil pressure")
    assert said["low"] == [pytest.approx(3.02), "bar"]
    assert said["offered"]
    assert said["outcomes"] == [["taken in"]]
    assert said["behind"] == [[0]]
    # A new channel reads no file of the older shop again.
    assert before < {path.name for path in shop.folder.samples.iterdir()}
    kept = pl.read_parquet(shop.folder.root / said["samples"][0][0])
    # 3.02 bar is 302 kPa (SI Brochure: 1 bar = 100 kPa).
    assert kept["oil_pressure_pa"].drop_nulls().min() == pytest.approx(302_000)


@pytest.mark.parametrize("channel", CHANNELS.values(), ids=list(BY_WORD))
def test_a_record_holds_together(channel):
    low, high = channel.usual
    assert channel.low < high
    assert low < min(high, channel.high)
    for unit in channel.units:
        conversion(unit, channel.unit)
    for pattern in (*channel.sure, *channel.hints, *channel.head):
        re.compile(pattern)
    assert channel.label
    assert not channel.in_head or channel.sure


def test_a_changed_bound_reads_the_files_of_its_channel_again_and_no_others(monkeypatch, shop):
    from dataclasses import replace

    from schemas.layout import read_layouts

    def fingerprints():
        return {one.name: one.fingerprint for one in read_layouts(shop.folder.layouts)[0]}

    before = fingerprints()
    changed = replace(BY_WORD["wheel_power"], high=500_000)
    monkeypatch.setitem(BY_WORD, "wheel_power", changed)
    after = fingerprints()
    assert before["plain-pull"] != after["plain-pull"]
    assert before["plain-ride"] == after["plain-ride"]
