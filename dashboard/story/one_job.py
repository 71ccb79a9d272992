"""The bike and job that the parts of the page tell of."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import polars as pl
import streamlit as st

from dashboard import address
from dashboard.open_shop import OpenShop
from warehouse import noted, story, wording

PAGE = "views/bike.py"


@dataclass(frozen=True)
class OneJob:
    """A job of a bike: its stages in order, the gains of the bike, its other jobs."""

    shop: OpenShop
    bike: dict[str, Any]
    job: dict[str, Any]
    jobs: pl.DataFrame
    stages: list[dict[str, Any]]
    gains: pl.DataFrame

    @property
    def stage_ids(self) -> list[str]:
        """The stages of the job, in order."""
        return [stage["stage_id"] for stage in self.stages]

    @property
    def pulled(self) -> list[dict[str, Any]]:
        """Those with a curve."""
        return [stage for stage in self.stages if stage["peak_power_w"] is not None]

    def stage(self, stage_id: str) -> dict[str, Any]:
        """Return a stage of the job."""
        return next(stage for stage in self.stages if stage["stage_id"] == stage_id)

    def gain(self, before_id: str, after_id: str) -> dict[str, Any] | None:
        """Return the comparison of two stages, if one stands."""
        both = (pl.col("before_stage_id") == before_id) & (pl.col("after_stage_id") == after_id)
        return next(iter(self.gains.filter(both).to_dicts()), None)

    def power_at(self, stages: list[dict[str, Any]]) -> str:
        """Return what air the powers of some stages are stated at."""
        return self.shop.power_at(is_corrected=all(stage["is_corrected"] for stage in stages))

    def notes_of_stages(self) -> dict[int, str]:
        """Return what people wrote to single stages, by the stage's number."""
        rows = self.shop.ask("shop_notes", job_ids=[self.job["job_id"]]).to_dicts()
        said: dict[int, list[str]] = {}
        for row in rows:
            if row["stage_no"] and not row["is_taken_back"]:
                said.setdefault(row["stage_no"], []).append(noted.text(row))
        return {number: " · ".join(texts) for number, texts in said.items()}

    def choose_stage(self, offered: list[str], label: str = "Stage") -> dict[str, Any]:
        """Return the stage that a person chose of some; at first the latest of them."""
        names = {stage["stage_id"]: story.stage_label(stage) for stage in self.stages}
        found = address.select(
            "stage", label, offered, names.__getitem__, default=offered[-1], width=360
        )
        return self.stage(found)

    def link(self, label: str, part: str, *, place: Any = st, **query: str) -> None:
        """Draw a link to another part of the page, of this job unless another is named."""
        asked = {"bike": self.bike["bike_id"], "job": self.job["job_id"], "part": part} | query
        place.page_link(PAGE, label=wording.escaped(label), query_params=asked)
