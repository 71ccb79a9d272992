"""Answers "what of this bike, all of it, now?": the story of a job, and what stands behind it."""

import streamlit as st

from dashboard import address, pieces
from dashboard.open_shop import open_shop
from dashboard.story import fuel, gain, health, overlay, pulls, rides
from dashboard.story.one_job import OneJob
from warehouse import story, wording

PARTS = {
    "story": ("Story", overlay.draw),
    "gain": ("Gain", gain.draw),
    "map": ("Map", fuel.draw),
    "health": ("Sound?", health.draw),
    "rides": ("Rides", rides.draw),
    "pulls": ("Pulls", pulls.draw),
}

OF_A_JOB = ("stage", "stages", "base", "pair", "from", "to")

shop = open_shop()

# Read
bikes = {row["bike_id"]: row for row in shop.ask("bikes").to_dicts()}
if not bikes:
    pieces.nothing("No bike is in the book yet: bring in a job first.")

# Choose
asked_job = st.query_params.get("job") or st.query_params.get("stage", "").rpartition("/")[0]
owner = None
if asked_job and "bike" not in st.query_params:
    known = shop.ask("known_jobs").select("job_id", "bike_id")
    owner = dict(known.iter_rows()).get(asked_job)
if (asked := st.query_params.get("bike", "")) and asked not in bikes:
    st.warning(f"No bike {wording.escaped(asked)} is in the book. Shown is the last one run.")
chooser = st.container(horizontal=True)
bike = bikes[
    address.select(
        "bike",
        "Bike (type to search)",
        list(bikes),
        lambda one: (
            f"{one} · {bikes[one]['model_label']}" + " · control bike" * bikes[one]["is_control"]
        ),
        default=owner,
        drops=("job", *OF_A_JOB),
        place=chooser,
    )
]
jobs = shop.ask("jobs_of_bike", bike_id=bike["bike_id"])
by_id = {row["job_id"]: row for row in jobs.to_dicts()}
job_id = address.select(
    "job",
    f"Job ({len(by_id)})",
    list(by_id),
    lambda one: story.job_label(by_id[one]),
    default=asked_job if asked_job in by_id else None,
    drops=OF_A_JOB,
    place=chooser,
)
part = address.segments(
    "part",
    "Part of the page",
    list(PARTS),
    lambda one: PARTS[one][0],
    label_visibility="collapsed",
)

# Show
PARTS[part][1](
    OneJob(
        shop,
        bike,
        by_id[job_id],
        jobs,
        shop.ask("stages_of_job", job_id=job_id).to_dicts(),
        shop.ask("gains_of_bike", bike_id=bike["bike_id"]),
    )
)
