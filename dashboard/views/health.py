"""Answers "is this bike sound, before any part is blamed or praised?"."""

import polars as pl
import streamlit as st

from dashboard import charts, pieces, queries, wording
from dashboard.open_shop import open_shop

# Where to look is common practice of the trade, no source.
WHERE_TO_LOOK = {
    "low": "A low bike is a reason to look before any remap and before any part is blamed: "
    "compression, valve clearance, clutch, tyre pressure, brake drag, air filter, fuel.",
    "high": "A high bike is a reason to look too: a map or a part that the card does not name, "
    "another gear, the weather station.",
    "another shape": "Another shape is a reason to look before any remap: what is low over one "
    "stretch only is often valve clearance, a clogged air filter, fuel delivery or ignition; what "
    "is high, a part or a map that the card does not name.",
    "leaner": "A leaner bike is a reason to look at fuel pressure, injectors, air leaks and the "
    "probe before any map is blamed.",
    "richer": "A richer bike is a reason to look at the air filter, fuel pressure, a leaking "
    "injector and the probe before any map is blamed.",
}

shop = open_shop()

# Read
bikes = shop.ask(queries.healths)
if bikes.is_empty():
    st.info(
        "No bike has a usable pull yet. Run each bike as it came, on the untouched map with "
        "standard parts, and put those pulls on its card as a stage of their own."
    )
    st.stop()

# Choose
ids = bikes["bike_id"].to_list()
asked = st.query_params.get("bike")
place = st.selectbox(
    "Bike (type to search; the latest baseline comes first)",
    range(bikes.height),
    index=ids.index(asked) if asked in ids else 0,
    format_func=lambda at: f"{ids[at]} · {bikes['model_label'][at]}",
    key="health_bike",
)
bike = bikes.row(place, named=True)
curve = shop.ask(queries.health_curve, bike["bike_id"])
regions = shop.ask(queries.health_regions, bike["bike_id"])
siblings = shop.ask(queries.health_siblings, bike["bike_id"])
states = (bike["power_health"], bike["mixture_health"])

# Show: one sentence first.
if not bike["is_unusual"]:
    box = st.success if "not compared" not in states else st.info
else:
    is_down = not regions.filter(
        (pl.col("quantity") != "mixture") & (pl.col("change_pct") < 0)
    ).is_empty()
    is_low = is_down or states[0] == "low"
    box = st.error if is_low and not bike["has_air_doubt"] else st.warning
box(f"## {wording.escaped(bike['sentence'])}\n{wording.escaped(bike['further'])}")
said = [
    sentence
    for word, sentence in WHERE_TO_LOOK.items()
    if word in states[0].split(" and ") or word in states[1].split(" and ")
]
if said:
    st.markdown(" ".join((*said, "Common practice, no source.")))

stage_id = bike["stage_id"]
if stage_id is not None:
    mixture = shop.ask(queries.stage_mixtures, (stage_id,))
    advice = wording.advice(mixture.row(0, named=True) if mixture.height else None)
    # Usual is not safe: siblings can all be lean together.
    if advice.level in ("stop", "warn"):
        st.error(f"**{advice.headline}** {advice.what_to_do}")
        st.markdown(" ".join(wording.CAUTIONS[:2]))
    else:
        st.caption(f"Full throttle on this baseline, against its target: {advice.headline}.")

    unit = shop.settings.show.power
    look = shop.look()
    as_measured = shop.ask(queries.uncorrected_stages, (stage_id,)).height
    power_at = "as measured, not corrected" if as_measured else f"at {shop.air()} reference air"
    entries = [
        (
            "Peak power",
            f"{wording.number(look.shown_power(bike['peak_power_w']), 1)} {unit}",
            f"at {wording.number(bike['peak_power_speed_rpm'])} rpm",
        )
    ]
    against = f"against {wording.counted(bike['siblings'], 'sibling')}"
    against_mixtures = f"against {wording.counted(bike['mixture_siblings'], 'sibling')}"
    entries += [
        (title, f"{wording.number(bike[name], 1, signed=signed)} {unit_of_it}", below)
        for title, name, signed, unit_of_it, below in (
            ("Peak power", "peak_change_pct", True, "%", against),
            ("Shape off by", "shape_distance_pct", False, "%", "level taken out"),
            ("Mixture", "lean_change_pct", True, "points", against_mixtures),
        )
        if bike[name] is not None
    ]
    pieces.cards(entries)
    st.text(
        f"Baseline: {bike['job_id']}, {bike['stage_name']}, {bike['run_on']:%d %b %Y}, "
        f"{bike['fuel']}, untouched map, standard parts."
    )
    pieces.chart(
        charts.health_chart(curve, regions, look, shop.limits(), power_at=power_at), "health_chart"
    )
    has_band = not curve["siblings"].is_null().all()
    st.caption(
        f"Power {power_at}."
        + (
            " Band: the middle half of the siblings; a quarter lie above it and a quarter below. "
            "Shaded columns: where this bike stands out; the figure in them is the mean "
            "difference, in points of lean error for the mixture. Of a hundred sound bikes up to "
            "five are called unusual in power, and up to five in mixture."
        )
        * has_band
    )

st.subheader("Its siblings", anchor=False)
if siblings.is_empty():
    st.text("None.")
else:
    counted = siblings.filter("is_power_sibling").height
    st.caption(
        f"{wording.counted(siblings.height, 'other bike')} of this model with a baseline, "
        f"{wording.number(counted)} counted for power: same model and generation, fuel, gear and "
        "dyno as far as known, weather not in doubt. This bike is not among them."
    )
    pieces.table(
        siblings.with_columns(
            shop.look().shown_power(pl.col("peak_power_w")),
        ),
        {
            "other_bike_id": "Bike",
            "run_on": pieces.day("Day"),
            "peak_power_w": pieces.figures(f"Peak [{shop.settings.show.power}]", 1),
            "peak_power_speed_rpm": pieces.figures("at [rpm]"),
            "torque_weighted_error_pct": pieces.figures("Mean lean error [%]", 1, signed=True),
            "is_power_sibling": "Counts for power",
            "is_mixture_sibling": "Counts for mixture",
            "left_out": pieces.wide("Left out because"),
            "job_id": "Job",
        },
    )

st.subheader("All bikes, the unusual first", anchor=False)
not_compared = pl.all_horizontal(pl.col("power_health", "mixture_health") == "not compared")
unusual = bikes.filter("is_unusual").height
st.caption(
    f"{wording.counted(unusual, 'bike')} of {wording.number(bikes.height)} "
    f"stand{'s' if unusual == 1 else ''} out, "
    f"{wording.number(bikes.filter(not_compared).height)} cannot be compared."
)
pieces.table(
    bikes.with_columns(
        pl.max_horizontal(
            pl.col("peak_z").abs(), pl.col("shape_z").abs(), pl.col("lean_z").abs()
        ).alias("furthest"),
        not_compared.alias("is_not_compared"),
    ).sort(
        "is_unusual",
        "is_not_compared",
        "furthest",
        descending=[True, False, True],
        nulls_last=True,
        maintain_order=True,
    ),
    {
        "bike_id": "Bike",
        "model_label": "Model",
        "power_health": "Power",
        "mixture_health": "Mixture",
        "siblings": pieces.figures("Siblings"),
        "peak_change_pct": pieces.figures("Peak [%]", 1, signed=True),
        "lean_change_pct": pieces.figures("Lean error [points]", 1, signed=True),
        "run_on": pieces.day("Baseline"),
        "sentence": pieces.wide("In a sentence", 480),
    },
)
