"""The builds most alike foretell what comes of a bike better than its model's mean, or chance."""

import re
from pathlib import Path

import numpy as np
import pytest

from flows.metrics import alike
from tests.studies import similar_study as study
from tests.studies.similar_study import GAIN, MAP, WORST

PAGE = Path(__file__).parents[2] / "dashboard" / "views" / "builds_like_this.py"


@pytest.fixture(scope="module")
def laid():
    # Other shops than those the weights were looked for in.
    return study.lay_out(study.invented_cases(seed) for seed in range(900, 904))


@pytest.mark.parametrize(("kind", "of_the_model_s"), [(WORST, 0.85), (GAIN, 0.85), (MAP, 0.5)])
def test_the_most_alike_foretell_better_than_the_model_and_than_chance(laid, kind, of_the_model_s):
    by_neighbours = study.by_neighbours(laid[kind], alike.WEIGHTS)
    by_model = study.by_model(laid[kind])
    assert by_neighbours < of_the_model_s * by_model
    assert by_model < study.at_random(laid[kind])


@pytest.mark.parametrize(
    ("term", "kind"),
    [("model", MAP), ("parts", MAP), ("fuel", WORST), ("mixture shape", GAIN)],
)
def test_a_term_is_there_because_it_foretells(laid, term, kind):
    without = study.by_neighbours(laid[kind], study.without(term))
    assert without > 1.05 * study.by_neighbours(laid[kind], alike.WEIGHTS)


def test_the_study_weighs_as_the_pipeline_does():
    cases = study.invented_cases(901)[GAIN][:40]
    laid_out = study.laid_out(GAIN, cases)
    pool = alike.population([case.features for case in cases])
    for place, row in enumerate(study.agreeing(laid_out, alike.WEIGHTS)):
        found = alike.similarity(cases[place].features, pool).agreeing
        np.testing.assert_allclose(row, found, rtol=1e-12)


def test_the_page_quotes_what_the_study_found():
    page = PAGE.read_text(encoding="utf-8")
    quoted = page[page.index("WHAT_IT_MEANS = (") : page.index("Expect no more of")]
    rows = [
        line.split("|")
        for line in Path(study.__file__).with_suffix(".md").read_text("utf-8").splitlines()
        if line.startswith("| ")
    ]
    of_the_demo = [[cell.strip() for cell in row[5:8]] for row in rows[1:4]]
    wanted = [of_the_demo[way][kind] for kind in (1, 0, 2) for way in range(3)]
    assert re.findall(r"\d+\.\d\d|\d+ %", quoted) == wanted
