"""Answers "where is that?" for a bike, job, model, part, map, fuel, file or note."""

from __future__ import annotations

from typing import Any

import streamlit as st

from dashboard import address, pieces
from dashboard.open_shop import open_shop
from warehouse import wording
from warehouse.find import KINDS, Hit

BIKE = "views/bike.py"
LIKE_IT = "views/builds_like_this.py"

shop = open_shop()

# Choose
asked = address.line("q", "Words, a number, or the first six letters of a hash")
if not asked.strip():
    pieces.nothing("Write what you look for: accents, case and a wrong letter do not matter.")

# Read
groups = shop.find(asked)


def leads_to(hit: Hit) -> tuple[str, dict[str, str]]:
    """Return the page of a hit, with the choice in its address."""
    row: dict[str, Any] = hit.row
    if hit.kind == "model":
        return "views/what_may_i_quote.py", {"model": row["model_id"]}
    if hit.kind == "map" and row["map_id"]:
        return "views/map_revisions.py", {"maps": "all-revisions", "map": row["map_id"]}
    if hit.kind in ("part", "map", "fuel") and row["stage_id"]:
        return LIKE_IT, {"stage": row["stage_id"]}
    if row.get("bike_id"):
        ids = {"bike": row["bike_id"], "job": row.get("job_id"), "stage": row.get("stage_id")}
        return BIKE, {word: value for word, value in ids.items() if value}
    name = row.get("file_name") or hit.name
    return "views/what_came_in.py", {"text": name}


# Show
if not groups:
    st.info(f"Nothing here fits {wording.escaped(asked)}. Fewer words, or a part of one, may.")
for group in groups:
    st.subheader(f"{KINDS[group.kind]}: {wording.number(group.found)}", anchor=False)
    for hit in group.hits:
        page, query = leads_to(hit)
        about = f" · {wording.escaped(hit.about)}" if hit.about else ""
        label = f"**{wording.escaped(hit.name)}**{about}"
        st.page_link(page, label=label, query_params=query)
    if group.found > len(group.hits):
        st.caption(f"The best {len(group.hits)} of {wording.number(group.found)}.")
