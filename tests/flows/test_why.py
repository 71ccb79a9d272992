"""What stands behind a figure: every kind, complete, by hand-written counts and hostile names."""

import importlib
from pathlib import Path

import polars as pl
import pytest

from schemas.settings import ShopSettings
from tests.conftest import command_line
from warehouse import why
from warehouse.snapshot import current, open_reader

HOSTILE = "26/11 ../[x]; DROP'--"


def behind(reader, figure, settings=None):
    return why.read_why(reader, figure, settings or ShopSettings())


def parted(found):
    """Return how many pulls count, count in part, and are left out."""
    standing = found.pulls["standing"].to_list()
    return [standing.count(each) for each in (why.COUNTS, why.IN_PART, why.LEFT_OUT)]


def one_of(reader, kind):
    return why.figures(reader).filter(pl.col("kind") == kind)


def number(reader, query, *given):
    return reader.execute(query, list(given)).fetchall()[0][0]


# Which pulls a figure concerns, counted here by hand-written SQL: by kind, given its key.
CONCERNED = {
    "gain": "SELECT count(*) FROM out.pull, out.gain WHERE gain_id = $key AND stage_id IN "
    "(before_stage_id, after_stage_id, again_stage_id)",
    "lean": "SELECT count(*) FROM out.pull WHERE stage_id = $key",
    "fuel": "SELECT count(*) FROM out.pull JOIN out.stage s USING (stage_id) JOIN out.stage own "
    "ON own.stage_id = $key AND s.job_id = own.job_id AND s.stage_no <= own.stage_no",
    "need": "SELECT count(*) FROM out.pull JOIN out.stage USING (stage_id) JOIN out.remap_need "
    "USING (model_id, parts_key, map_label, fuel) WHERE need_id = $key",
    "map": "SELECT count(*) FROM out.pull JOIN out.stage s USING (stage_id) JOIN out.map_revision "
    "m ON s.model_id = m.model_id AND s.map_label = m.map_label AND s.fuel = m.fuel AND "
    "(m.map_name <> 'stock' OR s.parts_key = m.parts_seen) WHERE map_id = $key",
    "quarter": "SELECT count(*) FROM out.pull JOIN out.stage USING (stage_id) "
    "WHERE starts_with($key, quarter_label)",
    "trust": "SELECT count(*) FROM out.pull WHERE $key <> ''",
}


@pytest.fixture(scope="module")
def shown(demo):
    with open_reader(demo.snapshot.path) as reader:
        yield reader


@pytest.fixture(scope="module")
def settings(demo):
    return demo.settings


@pytest.fixture(params=[6, pytest.param(100_000, marks=pytest.mark.long)], ids=["some", "all"])
def some(request):
    """Take figures from the whole length of a list: each is asked for in a tenth of a second."""
    return lambda rows: rows[:: -(-rows.height // request.param)].iter_rows(named=True)


@pytest.mark.parametrize("kind", list(why.KINDS))
def test_every_kind_of_figure_is_told_with_its_address_method_and_evidence(kind, shown, settings):
    known = one_of(shown, kind)
    assert not known.is_empty()
    found = behind(shown, known["figure"][0], settings)
    assert found.method
    assert found.value
    assert behind(shown, f"{kind} {known['key'][0]}", settings).counted == found.counted
    assert set(found.pulls.columns) >= {"file_name", "sha256_start", "run_on", "standing", "why"}
    left_out = found.pulls.filter(pl.col("standing") == why.LEFT_OUT)
    assert all(left_out["why"]), "a pull is left out without a reason"


@pytest.mark.parametrize("kind", list(CONCERNED))
def test_pulls_used_and_left_out_are_all_pulls_of_the_stages_concerned(kind, shown, settings, some):
    for row in some(one_of(shown, kind).unique("key", maintain_order=True)):
        found = behind(shown, row["figure"], settings)
        wanted = number(shown, CONCERNED[kind].replace("$key", "?"), row["key"])
        assert sum(parted(found)) == wanted, row["figure"]
        assert found.pulls.height == found.pulls.unique(["stage_id", "pull_no"]).height


def test_the_pulls_behind_a_gain_are_those_that_it_counts(shown, settings, some):
    # out.gain counts them itself, in the step that compares; odd ones are among them.
    for gain in some(shown.sql("FROM out.gain ORDER BY gain_id").pl()):
        found = behind(shown, f"gain {gain['gain_id']}", settings)
        counted = gain["pulls_before"] + gain["pulls_after"] + (gain["pulls_again"] or 0)
        assert sum(parted(found)[:2]) >= counted
        assert found.pulls.filter(pl.col("standing") == why.COUNTS).height <= counted
        assert found.budget["share_of_variance"].sum() == pytest.approx(1.0, abs=1e-6)


def test_the_bikes_behind_a_remap_need_are_as_many_as_it_says(shown, settings, some):
    for need in some(shown.sql("FROM out.remap_need ORDER BY need_id").pl()):
        stages = behind(shown, f"need {need['need_id']}", settings).stages
        used = stages.filter(pl.col("standing") == why.COUNTS)
        assert used["bike_id"].n_unique() == used.height == need["bikes"]


def test_the_bikes_behind_a_quote_are_as_many_as_it_says_and_the_gains_left_out_are_told(
    shown, settings, some
):
    for effect in some(shown.sql("FROM out.pooled_effect ORDER BY effect_id").pl()):
        stages = behind(shown, f"quote {effect['effect_id']}", settings).stages if (
            effect["figure"] != "peak against peak"
        ) else behind(shown, f"quote-peak {effect['effect_id']}", settings).stages  # fmt: skip
        own = stages.filter(
            (pl.col("standing") == why.COUNTS) & ~pl.col("role").str.starts_with("other model")
        )
        assert own["bike_id"].n_unique() == effect["bikes"], effect["effect_id"]


def test_a_wrong_address_names_the_three_nearest(shown):
    wanted = one_of(shown, "lean")["figure"][0]
    with pytest.raises(why.NoSuchFigureError) as told:
        behind(shown, wanted + "7")
    listed = str(told.value).split("\n  ")[1:]
    assert len(listed) == 3
    assert wanted in listed
    assert all(one.startswith("lean:") for one in listed)


def test_the_settings_that_are_told_are_settings_and_stand_as_the_shop_has_them():
    shop = ShopSettings.model_validate(
        {"mixture": {"warn_pct": 12.5}, "fuel": [{"name": "E85", "target_full_throttle": 0.84}]}
    )
    assert why.in_force(shop, "mixture.warn_pct") == "12.5"
    assert why.in_force(shop, "shop.altitude_m") == "not given"
    assert why.in_force(shop, "fuel") == "targets of their own: E85 0.840"
    for told in why.KINDS.values():
        assert all(why.in_force(shop, name) for name in told["settings"])


def test_the_methods_name_functions_that_stand_and_sources_that_these_cite():
    for kind, told in why.KINDS.items():
        cited = ""
        for name in told["functions"]:
            module, function = name.split(".")
            cited += getattr(importlib.import_module(f"flows.metrics.{module}"), function).__doc__
        cited = " ".join(cited.split())
        for source in filter(None, told["source"].split("; ")):
            # The first word of a source is its author or its standard.
            author = source.split(",")[0].split(" (")[0].split(" and ")[0]
            assert author in cited, (kind, author)


def test_every_code_that_leaves_something_out_has_its_words():
    questions = Path(why.__file__).parent / "questions"
    codes = set()
    for path in questions.glob("why_*.sql"):
        text = path.read_text(encoding="utf-8")
        codes |= {code for code in why.REASONS if f"'{code}'" in text}
    assert codes | {"no probe"} == set(why.REASONS)


@pytest.fixture(scope="module")
def hostile(tmp_path_factory, open_little_shop, make):
    """Make a shop whose names hold the signs that an address or SQL could stumble over."""
    shop = open_little_shop(tmp_path_factory.mktemp("hostile") / "shop")
    for pull in (1, 2):
        shop.put(f"odd/s1_{pull}.csv", make.pull(1.0 + 0.001 * pull))
        shop.put(f"odd/s2_{pull}.csv", make.pull(1.1 + 0.001 * pull))
    stages = [
        make.stage("as/arrived..", ("s1_1.csv", "s1_2.csv"), fuel="E5/E10 #2: 'x'"),
        make.stage("x", ("s2_1.csv", "s2_2.csv"), fuel="E5/E10 #2: 'x'", parts=[make.part()]),
    ]
    shop.put("odd/card.toml", make.card(job=HOSTILE, bike="B..1 → $q", stages=stages))
    shop.put("odd/left over.csv", "nothing\n")
    shop.update()
    return shop


def test_hostile_names_have_addresses_that_lead_back_to_them(hostile):
    with open_reader(current(hostile.folder.root).path) as reader:
        known = why.figures(reader)
        assert {"gain", "lean", "need", "alike", "map"} - set(known["kind"]) <= {"alike"}
        assert known["figure"].n_unique() == known.height
        for row in known.iter_rows(named=True):
            assert behind(reader, row["figure"]).figure == row["figure"]
        gain = behind(reader, f"gain:{HOSTILE}/2")
    assert gain.pulls["file_name"].to_list() == ["s1_1.csv", "s1_2.csv", "s2_1.csv", "s2_2.csv"]
    assert gain.files["file_name"].to_list() == ["left over.csv"]
    assert gain.files["reason"][0]


def test_the_terminal_tells_of_a_hostile_name_and_lists_the_kinds(hostile):
    root = hostile.folder.root
    code, said = command_line("why", root, f"lean:{HOSTILE}/1")
    assert (code, "s1_1.csv" in said, "1 stage, all used; 2 pulls, all used" in said) == (0, 1, 1)
    code, said = command_line("why", root)
    assert code == 0
    assert "gain:" in said
    code, said = command_line("why", root, "gain:no such")
    assert code == 1
    assert "The nearest are:" in said
    assert "Traceback" not in said


def test_the_terminal_finds_a_part_whose_name_is_misspelt(hostile):
    code, said = command_line("find", hostile.folder.root, "haldn", "slipon")
    assert (code, "Halden S2 slip-on" in said) == (0, True)
    code, said = command_line("find", hostile.folder.root, "left over")
    assert (code, "left over.csv" in said) == (0, True)
    assert command_line("find", hostile.folder.root, "nowhere")[0] == 1


def test_a_pull_set_aside_is_left_out_with_the_persons_reason(shop, make):
    for pull in (1, 2, 3):
        shop.put(f"job/p{pull}.csv", make.pull(1.0 + 0.001 * pull))
    aside = '[[set_aside]]\nfile = "p2.csv"\nreason = "clutch slipped"\nby = "Ann"\n'
    stages = [make.stage("as arrived", ("p1.csv", "p2.csv", "p3.csv"))]
    shop.put("job/card.toml", make.card(stages=stages) + aside)
    shop.update()
    with open_reader(current(shop.folder.root).path) as reader:
        found = behind(reader, "trust:pull-to-pull")
    out = found.pulls.filter(pl.col("standing") == why.LEFT_OUT)
    assert out["file_name"].to_list() == ["p2.csv"]
    assert "clutch slipped" in out["why"][0]


@pytest.mark.parametrize(
    ("subject", "part"),
    [
        ("back-to-back pulls", "pull-to-pull"),
        ("taking the bike off and on", "strapping-down"),
        ("another day", "another-day"),
    ],
)
def test_a_verdict_on_the_scatter_leads_to_the_evidence_of_its_figure(
    subject, part, shown, settings
):
    verdict, figure = (
        behind(shown, address, settings) for address in (f"dyno:{subject}", f"trust:{part}")
    )
    assert verdict.stages.equals(figure.stages)
    assert verdict.pulls.equals(figure.pulls)
    assert verdict.pulls.height == number(shown, CONCERNED["trust"].replace("$key", "'x'"))
    assert (verdict.counted, verdict.method) == (figure.counted, figure.method)
    assert f"the figure trust:{part}." in verdict.caveats[-1]
