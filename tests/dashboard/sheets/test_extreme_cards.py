"""Sheets of jobs as extreme as their cards may be, from the inbox to the paper."""

import io
import json
import re
from html.parser import HTMLParser

import pypdf
import pytest

from dashboard.sheets import job

HALVES = re.compile(r"\\ud[89ab]..\\ud[c-f]..")
LONG = "Überlange Bezeichnung " * 3
EVIL = "<script>alert(1)</script>\u202e]; DROP TABLE core.job; --"
NUL = "J-nul\0"
JOBS = ("J-long", "J-forty", "J-noair", "🏍 ../../<b>", "J-single")


def _put(shop, make, job_id, names, *, parts=(), air=(978.0, 22.0, 45), **card):
    folder = f"folder {JOBS.index(job_id) if job_id in JOBS else 'of none'}"
    stages = []
    for at, name in enumerate(names, start=1):
        # Each file of its own: equal bytes would be one pull.
        level = 1 + 0.003 * at + 0.01 * len(job_id)
        begun = f"2025-03-14 {6 + at // 6:02d}:{10 * (at % 6):02d}"
        shop.put(f"{folder}/s{at}.csv", make.pull(level, air=air, begun=begun))
        fitted = parts if at > 1 else ()
        stages.append(make.stage(name, [f"s{at}.csv"], parts=fitted))
    text = make.card(job_id, stages, bike=f"B{job_id}", **card)
    # TOML knows no halves of a sign.
    text = HALVES.sub(lambda halves: json.loads(f'"{halves[0]}"'), text)
    shop.put(f"{folder}/card.toml", text)


@pytest.fixture(scope="module")
def published(open_little_shop, make, tmp_path_factory):
    shop = open_little_shop(tmp_path_factory.mktemp("extreme"))
    long = (LONG * 2)[:80].strip()
    _put(shop, make, "J-long", [long, f"{long[:70]} 2"],
         parts=[make.part("silencer", long, long)], model=long)  # fmt: skip
    _put(shop, make, "J-forty", [f"stage {at}" for at in range(1, 41)])
    _put(shop, make, "J-noair", ["as it came", "piped"], air=None)
    _put(shop, make, "🏍 ../../<b>", [EVIL, "{{7*7}} 🔥"],
         parts=[make.part("silencer", EVIL, "👩‍🔧")], model=EVIL)  # fmt: skip
    _put(shop, make, "J-single", ["as it came"])
    _put(shop, make, NUL, ["as it came"])
    shop.show("out.gain", "out.stage_mixture", "out.lean_window")
    return shop


class _Tags(HTMLParser):
    def __init__(self, text):
        super().__init__()
        self.names = set()
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.names.add(tag)
        assert not [name for name, _ in attrs if name.startswith("on")]


@pytest.mark.parametrize("job_id", JOBS)
def test_the_sheet_of_an_extreme_card_is_one_page_in_the_reports_folder(published, job_id):
    root = published.folder.root
    made = job.make(root, job_id)
    written = job.write_sheet(root, made)
    assert {path.parent for path in written} == {published.folder.reports}
    pdf, text = (
        next(path for path in written if path.suffix == end).read_bytes()
        for end in (".pdf", ".html")
    )
    (page,) = pypdf.PdfReader(io.BytesIO(pdf)).pages
    said = page.extract_text()
    assert "Dyno sheet" in said
    assert "at the wheel" in said
    assert not _Tags(text.decode()).names & {"script", "img", "b"}
    for inner in ("None", "nan", "\u202e"):
        assert inner not in said.split()
        assert inner not in _words_of(text.decode())


def _words_of(text):
    return text.partition("</style>")[2].replace("<", " <").replace(">", "> ").split()


def test_a_card_with_a_nul_in_its_job_is_refused_with_its_line(published):
    # Bug: it was taken in, and no command and no sheet could name that job.
    card = published.outcome("folder of none/card.toml")
    assert card.state == "refused"
    assert "line 1: job must hold no NUL character" in card.reason
