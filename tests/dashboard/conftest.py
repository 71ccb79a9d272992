"""A small invented shop, published the way a real one is, for the pages to read.

The rows are made up here and check nothing but that the pages show what stands in the tables:
every view of the store is the store's own SQL, run over these rows.
"""

import functools
import hashlib
import itertools
import json
import shutil
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import pytest
import streamlit as st
from streamlit.components.v2 import manifest_scanner

from dashboard import desk
from flows.desk import answer
from flows.metrics.notes import note
from schemas.desk import Failed
from tests.conftest import LittleShop
from warehouse import snapshot, store
from warehouse.contents import Contents
from warehouse.shop import ShopFolder

# Every page that a test opens asks all installed packages for components, 0.15 s each time.
manifest_scanner.scan_component_manifests = functools.cache(
    manifest_scanner.scan_component_manifests
)

ODD_NAME = "![x](http://example.invalid/x.png)"
ODD_NOTE = "<script>alert(9)</script> ![x](http://example.invalid/n.png) \x1b[31m \u202eabc"
SETTINGS = """
[shop]
name = "Test shop"
altitude_m = 310.0
timezone = "Europe/Vienna"
[figures]
reference_air = "SAE J1349"
bandwidth_rpm = 150.0
[mixture]
notice_pct = 5.0
warn_pct = 10.0
stop_pct = 15.0
target_full_throttle = 0.87
cruise_low = 0.94
cruise_high = 1.00
[trust]
repeatability_share = 0.005
remount_share = 0.008
[show]
power = "kW"
mixture = "lambda"
afr_scale = 14.7
[intake]
most_rejected_share = 0.05
[schedule]
intake_minutes = 5
"""
MODELS = [
    # model_id, make, model, first, last, cc, cylinders, induction, peak_w, peak_rpm
    (
        "corvane-strada-690-2016",
        "Corvane",
        "Strada 690",
        2016,
        2019,
        690.0,
        1,
        "natural",
        49e3,
        7600,
    ),
    (
        "corvane-strada-690-2020",
        "Corvane",
        "Strada 690",
        2020,
        2024,
        690.0,
        1,
        "natural",
        52e3,
        7900,
    ),
    ("ostrel-vanta-900-2018", "Ostrel", "Vanta 900", 2018, 2023, 898.0, 3, "natural", 79e3, 10100),
    ("ostrel-surge-750-2021", "Ostrel", "Surge 750", 2021, 2024, 749.0, 2, "forced", 88e3, 8200),
]
PARTS = [
    ("silencer", "Halden", "S2 slip-on"),
    ("full exhaust", "Brunnic", "Twin-cone"),
    ("airbox", "Tessen", "open lid"),
]
GENERATOR_SEED = 690
MOUNTINGS = store.kept(
    note("own mountings", control_sessions=24, repeats=9, bikes=0, is_assumed=False,
         is_sum_known=False)
)  # fmt: skip


NOTES = {"gained", "heat_soak", "odd", "reason", "round_note", "told", "trouble"}
NOTES |= {"power_reason", "mixture_reason"}
LISTS = {"differs", "further", "left_out", "matches", "not_known", "notes", "signal",
         "unlike_reason", "went_wrong"}  # fmt: skip


def _as_notes(row: dict) -> dict:
    """Return a row whose plain words are notes that say just these."""
    said = row | {"told": row["sentence"]} if "sentence" in row else row
    said = {name: value for name, value in said.items() if name not in ("sentence", "remedy")}
    for name in NOTES & said.keys():
        if isinstance(said[name], str):
            said[name] = note("refused", why=said[name]) if said[name] else None
    for name in LISTS & said.keys():
        if isinstance(said[name], str):
            said[name] = [note("refused", why=said[name])] if said[name] else []
    return {name: store.kept(value) for name, value in said.items()}


def _fill(connection: duckdb.DuckDBPyConnection, table: str, rows: list[dict]) -> None:
    columns = store.columns(connection, table)
    rows = [{n: v for n, v in _as_notes(row).items() if n in columns} for row in rows]
    frame = pl.DataFrame(rows, infer_schema_length=None)
    connection.register("rows_to_add", frame)
    connection.execute(f"INSERT INTO {table} BY NAME SELECT * FROM rows_to_add")  # noqa: S608
    connection.unregister("rows_to_add")


def _curve(
    peak_w: float, peak_rpm: float, level: float, lift: float
) -> tuple[np.ndarray, np.ndarray]:
    speed = np.arange(round(peak_rpm * 0.3 / 50) * 50, peak_rpm * 1.12, 50.0)
    relative = speed / peak_rpm
    shape = 1.6 * relative - 0.25 * relative**2 - 0.35 * relative**3
    dip = 1 - 0.05 * np.exp(-(((relative - 0.62) / 0.07) ** 2))
    hump = 1 + lift * (0.4 + 0.6 * np.exp(-(((relative - 0.85) / 0.2) ** 2)))
    return speed, peak_w * level * shape * dip * hump


def _lambda(speed: np.ndarray, peak_rpm: float, worst_pct: float) -> np.ndarray:
    relative = speed / peak_rpm
    error = 1.2 * np.sin(9 * relative) + worst_pct * np.exp(-(((relative - 0.92) / 0.13) ** 2))
    return 0.87 * (1 + error / 100)


def _level(worst_pct: float | None) -> str:
    if worst_pct is None:
        return "unknown"
    return next(
        (word for word, low in (("stop", 15), ("warn", 10), ("notice", 5)) if worst_pct >= low),
        "none",
    )


class _Rows(dict):
    def add(self, table: str, **row: object) -> None:
        self.setdefault(table, []).append(row)


def _stages(rows: _Rows, random: np.random.Generator) -> None:
    """Add bikes, jobs, stages and everything that hangs on a stage."""
    job_no = 0
    first_day = date(2025, 1, 8)
    for model_no, (
        model_id,
        make,
        model,
        first,
        last,
        cc,
        cylinders,
        induction,
        peak_w,
        rpm,
    ) in enumerate(MODELS):
        rows.add(
            "core.model",
            model_id=model_id,
            make=make,
            model=model,
            first_year=first,
            last_year=last,
            displacement_cc=cc,
            cylinders=cylinders,
            induction=induction,
        )
        for bike_no in range(9 if model_no < 3 else 2):
            bike_id = f"B-{model_no + 1}{bike_no + 1:02d}"
            is_control = model_no == 0 and bike_no == 0
            rows.add(
                "core.bike",
                bike_id=bike_id,
                model_id=model_id,
                model_year=first + 1,
                is_control=is_control,
            )
            base = 1 + random.normal(0, 0.02)
            for visit in range(24 if is_control else 1):
                job_no += 1
                job_id = f"J-{job_no:04d}"
                day = first_day + timedelta(days=22 * visit if is_control else 16 * (job_no % 33))
                rows.add(
                    "core.job",
                    job_id=job_id,
                    job_folder=job_id,
                    bike_id=bike_id,
                    received_on=day,
                    model_year=first + 1,
                    is_control=is_control,
                    cylinders=cylinders,
                    card_sha256=f"{job_no:064x}",
                )
                fitted = PARTS[: 1 + bike_no % 3]
                steps = (
                    [("control run", [], "stock", None, 0.0, 2.5)]
                    if is_control
                    else [
                        ("as arrived", [], "stock", None, 0.0, 4 + random.normal(0, 1)),
                        (
                            "parts fitted",
                            fitted,
                            "stock",
                            None,
                            0.012 * len(fitted),
                            5.5 * len(fitted) + random.normal(0, 1.2),
                        ),
                        (
                            "remapped",
                            fitted,
                            "Kestrel road",
                            3 + bike_no % 2,
                            0.012 * len(fitted) + 0.022,
                            2.2 + random.normal(0, 0.8),
                        ),
                    ]
                )
                if job_no % 11 == 5:
                    steps = steps[:1]
                level = base * (1 + (0.0035 * max(0, visit - 14) if is_control else 0))
                _job(
                    rows,
                    random,
                    job_id,
                    bike_id,
                    model_id,
                    day,
                    steps,
                    level,
                    peak_w,
                    rpm,
                    induction,
                )


def _job(
    rows, random, job_id, bike_id, model_id, day, steps, level, peak_w, rpm, induction
) -> None:
    made = {"job_id": job_id, "bike_id": bike_id, "model_id": model_id}
    kept = []
    for stage_no, (name, parts, map_name, revision, lift, worst) in enumerate(steps, start=1):
        stage_id = f"{job_id}/{stage_no}"
        parts_key = "|".join(sorted(part[0] for part in parts)) or "none"
        parts_label = " + ".join(f"{part[1]} {part[2]}" for part in parts) or "no parts"
        build_id = f"{parts_key}:{map_name}:{revision}"
        if not any(row["build_id"] == build_id for row in rows.get("core.build", [])):
            rows.add(
                "core.build",
                build_id=build_id,
                map_name=map_name,
                map_revision=revision,
                fuel="E5",
                ethanol_share=0.05,
                parts_key=parts_key,
                parts_label=parts_label,
            )
            for part in parts:
                named = dict(zip(("category", "maker", "part_name"), part, strict=True))
                rows.add("core.build_part", build_id=build_id, **named)
        rows.add(
            "core.stage",
            stage_id=stage_id,
            job_id=job_id,
            bike_id=bike_id,
            stage_no=stage_no,
            stage_name=name,
            build_id=build_id,
            mounting=f"{job_id}/{stage_no}",
            map_from=None,
            gear=4,
            tyre="worn sport",
            dyno="main dyno",
            target_lambda=None,
            suggestion_entered=False,
        )
        has_lambda = job_id != "J-0030"
        has_odd_pull = job_id == "J-0026" and stage_no == 1
        speed, power = _curve(peak_w, rpm, level, lift)
        mixture = _lambda(speed, rpm, worst) if has_lambda else np.full(speed.size, np.nan)
        torque = power / (speed * np.pi / 30)
        best, pull_best = int(power.argmax()), int(torque.argmax())
        density = 1.19 - 0.05 * np.sin(2 * np.pi * day.timetuple().tm_yday / 365)
        doubt = bool(date(2025, 11, 3) <= day <= date(2025, 11, 20))
        for pull_no in range(1, 4):
            pull_id = f"{stage_id}/{pull_no}"
            file_name = f"run_{stage_no}{pull_no}.csv"
            if job_id == "J-0026" and pull_no == 1 and stage_no == 1:
                file_name = ODD_NAME
            sha = hashlib.sha256(pull_id.encode()).hexdigest()
            is_odd = job_id == "J-0028" and pull_no == 3
            about = {
                "pull_id": pull_id,
                "stage_id": stage_id,
                "pull_no": pull_no,
                "file_sha256": sha,
                "file_name": file_name,
                "layout": "main-dyno-metric",
                "power_state": "corrected",
                "file_standard": "DIN 70020",
                "file_factor": 1.021,
                "ambient_temp_k": 293.4,
                "ambient_pressure_pa": 97_800.0,
                "ambient_humidity_pct": 46.0,
                "probe_place": "collector",
                "probe_delay_s": 0.12,
                "started_at": datetime(day.year, day.month, day.day, 9, 10 * pull_no),
            }
            rows.add(
                "core.pull",
                **about,
                equipment="main dyno",
                read_with="1",
                rows_kept=540,
                rows_rejected=0,
                file_gear=4,
            )
            noise = 1 + random.normal(0, 0.004)
            rows.add(
                "out.pull",
                **about,
                peak_power_w=float(power[best] * noise),
                peak_power_speed_rpm=float(speed[best]),
                peak_torque_nm=float(torque[pull_best] * noise),
                peak_torque_speed_rpm=float(speed[pull_best]),
                sweep_from_rpm=float(speed[0]),
                sweep_to_rpm=float(speed[-1]),
                sweep_s=6.4,
                undone_factor=1.021,
                factor_disagreement_pct=3.6 if doubt else 0.05,
                reference_air="SAE J1349",
                reference_factor=1.008,
                reference_factor_sd=0.003,
                air_density_kg_m3=density,
                coolant_start_k=352.0,
                coolant_end_k=359.0,
                oil_end_k=366.0,
                intake_air_start_k=296.0,
                has_lambda=has_lambda,
                is_used=not is_odd,
                trouble="",
                notes="level 2.1 % below the other pulls" if is_odd else "",
                made_from="test",
            )
            if job_id in ("J-0026", "J-0028", "J-0032"):
                rows.setdefault("out.pull_curve", []).extend(
                    {
                        "pull_id": pull_id,
                        "engine_speed_rpm": at,
                        "power_w": watts * noise,
                        "power_sd_w": 120.0,
                        "torque_nm": newton * noise,
                        "lambda_wide": seen if has_lambda else None,
                    }
                    for at, watts, newton, seen in zip(speed, power, torque, mixture, strict=True)
                )
            rows.add(
                "raw.outcome",
                job_folder=job_id,
                file_name=file_name,
                file_sha256=sha,
                state="taken in",
                reason_code="",
                reason="",
                remedy="",
                stage_id=stage_id,
            )
            rows.add(
                "raw.arrival",
                job_folder=job_id,
                file_name=file_name,
                file_sha256=sha,
                arrival_no=len(rows["out.pull"]),
                last_no=len(rows["out.pull"]),
                size_bytes=41_000,
                modified_ns=0,
                received_at=datetime(day.year, day.month, day.day, 17, 5, tzinfo=UTC),
                is_current=True,
                is_present=True,
            )
            rows.add(
                "out.session_pull",
                pull_id=pull_id,
                stage_id=stage_id,
                level_pct=0.1,
                weight=0.05 if has_odd_pull and pull_no == 3 else 1.0,
                odd="4.0 % below the other pulls" if has_odd_pull and pull_no == 3 else None,
            )
        rows.add(
            "out.session",
            stage_id=stage_id,
            **made,
            run_on=day,
            pulls=3,
            pulls_used=2 if job_id == "J-0028" else 3,
            pulls_agreeing=2 if job_id == "J-0028" or has_odd_pull else 3,
            pulls_effective=1.96 if job_id == "J-0028" else 1.1 if has_odd_pull else 2.95,
            all_pulls_pct=-1.3 if has_odd_pull else None,
            peak_power_w=float(power[best]),
            peak_power_speed_rpm=float(speed[best]),
            peak_torque_nm=float(torque[pull_best]),
            peak_torque_speed_rpm=float(speed[pull_best]),
            repeatability_share=0.0041,
            drift_pct_per_pull=-0.15,
            drift_lower_pct_per_pull=-0.9,
            drift_upper_pct_per_pull=-0.05 if job_id == "J-0028" else 0.6,
            heat_soak="no trend that 3 pulls could show: −0.1 % a pull (−0.9 to +0.6)",
            is_settled=job_id != "J-0028",
            settled_after_pull=None if job_id == "J-0028" else 2,
            reference_air="SAE J1349",
            reference_factor=1.008,
            reference_factor_sd=0.003,
            air_density_kg_m3=density,
            is_corrected=induction == "natural",
            is_peak_reached=True,
            has_air_doubt=doubt,
            notes="weather station disagrees with the file's own factor" if doubt else "",
            made_from="test",
        )
        error = 100 * (mixture / 0.87 - 1)
        rows.setdefault("out.session_curve", []).extend(
            {
                "stage_id": stage_id,
                "engine_speed_rpm": at,
                "power_w": watts,
                "torque_nm": newton,
                "lambda_wide": seen if has_lambda else None,
                "lambda_target": 0.87,
                "lean_error_pct": lean if has_lambda else None,
                "lean_error_se_pct": 0.2 if has_lambda else None,
                "lean_error_lower_pct": lean - 1.4 if has_lambda else None,
                "lean_error_upper_pct": lean + 1.4 if has_lambda else None,
            }
            for at, watts, newton, seen, lean in zip(
                speed, power, torque, mixture, error, strict=True
            )
        )
        worst_at = int(error.argmax()) if has_lambda else 0
        worst_pct = float(error[worst_at]) if has_lambda else None
        beyond = _level(worst_pct + 1.4) if has_lambda else None
        rows.add(
            "out.stage_mixture",
            stage_id=stage_id,
            **made,
            build_id=build_id,
            level=_level(worst_pct),
            worst_lean_error_pct=worst_pct,
            worst_speed_rpm=float(speed[worst_at]) if has_lambda else None,
            worst_lower_pct=worst_pct - 1.4 if has_lambda else None,
            worst_upper_pct=worst_pct + 1.4 if has_lambda else None,
            level_not_excluded=beyond if has_lambda and beyond != _level(worst_pct) else None,
            is_gauge_in_the_way=True,
            is_scatter_assumed=False,
            judged_from_rpm=float(speed[0]) if has_lambda else None,
            judged_to_rpm=float(speed[-1]) if has_lambda else None,
            settling_s=0.46 if has_lambda else None,
            torque_weighted_error_pct=float(error.mean()) if has_lambda else None,
            is_near_peak_torque=bool(has_lambda and abs(speed[worst_at] - speed[pull_best]) < 500),
            probe_place="collector" if has_lambda else None,
            reason="" if has_lambda else "no wideband mixture was logged",
            made_from="test",
        )
        lean = np.flatnonzero(error > 5) if has_lambda else np.array([], dtype=int)
        if lean.size:
            rows.add(
                "out.lean_window",
                stage_id=stage_id,
                side="lean",
                level=_level(worst_pct),
                from_rpm=float(speed[lean[0]]),
                to_rpm=float(speed[lean[-1]]),
                worst_error_pct=worst_pct,
                worst_speed_rpm=float(speed[worst_at]),
                worst_lower_pct=worst_pct - 1.4,
                worst_upper_pct=worst_pct + 1.4,
                pulls_seen=3,
                pulls_showing=3,
                duration_s=1.9,
                peak_torque_distance_rpm=850.0,
                is_near_peak_torque=False,
            )
            rows.add(
                "out.window_knock",
                stage_id=stage_id,
                side="lean",
                from_rpm=float(speed[lean[0]]),
                to_rpm=float(speed[lean[-1]]),
                pulls_seen=3,
                knock_inside=3.2,
                knock_beside=1.1,
                knock_ratio=2.9,
                knock_ratio_lower=2.1,
                knock_ratio_upper=4.0,
                ignition_retard_deg=3.1,
                retard_lower_deg=2.2,
                retard_upper_deg=4.0,
                sentence="knock 2.9 times that of the speeds beside it (2.1 to 4.0), "
                "ignition 3.1° later than the line beside it (2.2 to 4.0)",
            )
        kept.append((stage_id, parts_key, map_name, speed, power, worst_pct, speed[worst_at]))
        if name == "remapped":
            _ride(rows, random, stage_id, made, job_id)
    if len(kept) == 3:
        _gains(rows, random, kept, made, day)


def _ride(rows, random, stage_id, made, job_id) -> None:
    ride_id = f"{stage_id}/ride"
    about = {
        "ride_id": ride_id,
        "stage_id": stage_id,
        "file_name": "ride_1.txt",
        "file_sha256": f"{int(job_id[2:]) + 7000:064x}",
        "layout": "road-logger",
        "probe_place": "tailpipe",
    }
    rows.add(
        "core.ride",
        **about,
        equipment="road logger",
        read_with="1",
        started_at=None,
        rows_kept=8400,
        rows_rejected=3,
        probe_delay_s=0.15,
    )
    rows.add(
        "out.ride",
        **about,
        duration_s=420.0,
        steady_s=151.0,
        in_band_share=0.71,
        closed_loop_s=42.0,
        lambda_from="wideband",
        delay_s=0.16,
        delay_lower_s=0.15,
        delay_upper_s=0.17,
        probe_lag_s=0.06,
        probe_moves=31,
        delay_origin="estimated from the log",
        notes="",
        trouble="",
        made_from="test",
    )
    for reason, seconds in (("throttle moving", 120.0), ("fuel cut", 41.0), ("cold engine", 60.0)):
        rows.add("out.ride_exclusion", ride_id=ride_id, exclusion_reason=reason, excluded_s=seconds)
    edges = (2, 5, 10, 15, 20, 30, 40)
    for low, high in itertools.pairwise(edges):
        for speed in range(2000, 8000, 1000):
            if random.random() < 0.25:
                continue
            seen = 0.97 + random.normal(0, 0.03)
            outside = 100 * (seen / 1.0 - 1) if seen > 1 else 100 * (min(seen / 0.94, 1) - 1)
            cell = {
                "stage_id": stage_id,
                "is_closed_loop": False,
                "speed_from_rpm": float(speed),
                "speed_to_rpm": speed + 1000.0,
                "speed_mean_rpm": speed + 480.0,
                "lambda_median": seen,
                "lambda_spread": 0.01,
                "lambda_se": 0.002,
                "lambda_lower": seen - 0.011,
                "lambda_upper": seen + 0.011,
                "effective_samples": 14.0,
                "target_low": 0.94,
                "target_high": 1.0,
                "lean_error_pct": outside,
                "dwell_s": float(random.uniform(1, 20)),
                "hits": 60,
                "in_band_share": float(random.uniform(0.4, 1)),
                "outside_air_most_pct": 1.4,
                "long_trim_pct": 5.5,
            }
            places = {"from": float(low), "to": float(high), "mean": 0.5 * (low + high)}
            for table, word, scale, least in (
                ("out.cruise_cell", "throttle_{}_pct", 1.0, 0.0),
                ("out.pressure_cell", "pressure_{}_pa", 1200.0, 25_000.0),
            ):
                own = {word.format(name): least + scale * at for name, at in places.items()}
                rows.add(table, **cell, **own)
    rows.add(
        "out.trim_cell",
        stage_id=stage_id,
        throttle_from_pct=5.0,
        throttle_to_pct=10.0,
        speed_from_rpm=3000.0,
        speed_to_rpm=4000.0,
        throttle_mean_pct=7.1,
        speed_mean_rpm=3420.0,
        trim_pct=6.2,
        trim_se_pct=0.3,
        trim_lower_pct=5.5,
        trim_upper_pct=6.9,
        long_trim_pct=5.5,
        dwell_s=42.0,
        hits=840,
    )
    for number, (kind, outcome, level, depth) in enumerate(
        (
            ("tip-in", "", "warn", 11.5),
            ("tip-in", "", "none", 2.0),
            ("tip-in", "fuel cut", "none", None),
            ("lift-off", "", "none", -1.0),
        ),
        start=1,
    ):
        rows.add(
            "out.transient",
            ride_id=ride_id,
            transient_no=number,
            stage_id=stage_id,
            kind=kind,
            outcome=outcome,
            level=level,
            start_s=20.0 * number,
            end_s=20.0 * number + 0.3,
            throttle_before_pct=8.0,
            throttle_after_pct=25.0 if kind == "tip-in" else 2.0,
            engine_speed_rpm=4100.0,
            depth_pct=depth,
            excursion_s=None if depth is None else 0.2,
        )
    rows.add(
        "out.stage_heat",
        stage_id=stage_id,
        cruise_s=151.0,
        coolant_cruise_k=358.5,
        coolant_most_k=371.0,
        oil_cruise_k=369.0,
        oil_most_k=383.0,
        intake_cruise_k=301.0,
    )
    rows.add(
        "out.stage_cruise",
        stage_id=stage_id,
        **made,
        rides=1,
        steady_s=151.0,
        in_band_share=0.71,
        closed_loop_s=42.0,
        cells=27,
        covered_share=0.31,
        tip_ins=2,
        lean_tip_ins=1,
        lift_offs=1,
        rich_lift_offs=0,
        worst_lean_error_pct=4.1,
        worst_throttle_pct=12.0,
        worst_speed_rpm=4500.0,
        made_from="test",
    )


def _across(rows, effects) -> None:
    """Add what stands over bikes: by model, over speed, each part, and bikes held together."""
    for (model_id, _, change), members in sorted(effects.items()):
        mean = float(np.mean([row["mean_gain_pct"] for row in members]))
        rows.add(
            "out.measured_change",
            change_key=change,
            model_id=model_id,
            bikes=len(members),
            jobs=len(members),
            own_mean_pct=mean,
            own_lower_pct=mean - 0.9,
            own_upper_pct=mean + 0.9,
            own_p=0.001 if abs(mean) > 0.9 else 0.4,
            made_from="test",
        )
        for step, at_model in ((250.0, model_id), (0.025, None)):
            for place in range(16, 40):
                if at_model is None and model_id != min(key[0] for key in effects):
                    continue
                rows.add(
                    "out.pooled_curve",
                    change_key=change,
                    scope="one model" if at_model else "all models",
                    model_id=at_model,
                    engine_speed_rpm=place * step if at_model else None,
                    peak_speed_share=None if at_model else place * step,
                    bikes=len(members),
                    mean_pct=mean,
                    lower_pct=mean - 1,
                    upper_pct=mean + 1,
                    next_lower_pct=mean - 2.5,
                    next_upper_pct=mean + 2.5,
                )
        for number, row in enumerate(members):
            is_odd = number == 0
            rows.add(
                "out.bike_against_others",
                change_key=change,
                bike_id=row["bike_id"],
                model_id=model_id,
                gain_id=row["gain_id"],
                scope="all models",
                bikes=4,
                gain_pct=row["mean_gain_pct"],
                foretold_lower_pct=row["mean_gain_pct"] + (1 if is_odd else -2),
                foretold_upper_pct=row["mean_gain_pct"] + 3,
                off_sd=-2.4 if is_odd else -0.3,
                odd_p=0.016 if is_odd else 0.76,
                look_at='[{"code": "odd bike nothing"}]' if is_odd else "[]",
            )
    for part, is_apart in (("silencer", False), ("remap", False), ("airbox", True)):
        rows.add(
            "out.attribution",
            part_change=part,
            is_together=False,
            bikes=5,
            comparisons=6,
            alone_bikes=5 if is_apart else 0,
            mean_pct=1.4 if is_apart else None,
            lower_pct=0.4 if is_apart else None,
            upper_pct=2.4 if is_apart else None,
            effect_p=0.01 if is_apart else None,
            verdict="real gain" if is_apart else "cannot be separated",
            inflation=1.2 if is_apart else 400.0,
            together_with=None if is_apart else {"silencer": "remap"}.get(part, "silencer"),
            next_job=None if is_apart else "silencer",
            half_width_pct=None if is_apart else 41.0,
            half_width_then_pct=None if is_apart else 2.1,
            between_bikes_sd_pct=0.6,
            between_models_sd_pct=0.3,
            made_from="test",
        )


def _gains(rows, random, kept, made, day) -> None:
    for before, after, kind in ((0, 1, "parts only"), (1, 2, "map only"), (0, 2, "both")):
        first, last = kept[before], kept[after]
        gain_id = f"{first[0]}>{last[0]}"
        gain = 100 * (last[4] / first[4] - 1) + random.normal(0, 0.4)
        riding = first[3] > 0.4 * first[3][first[4].argmax()]
        mean = float(gain[riding].mean())
        half = 1.3
        verdict = "real gain" if mean > half else "real loss" if mean < -half else "within noise"
        key = {"parts only": f"+{last[1]}", "map only": "remap", "both": f"+{last[1]} & remap"}[
            kind
        ]
        # The files of the forced engine have no air: its gains have no verdict and no figure.
        has_air = not made["model_id"].startswith("ostrel-surge")
        rows.add(
            "out.gain",
            gain_id=gain_id,
            **made,
            before_stage_id=first[0],
            after_stage_id=last[0],
            basis="earlier stage of the job",
            run_on=day,
            change_kind=kind,
            change_key=key,
            change_label=key.replace("|", " + "),
            is_like_for_like=has_air and made["job_id"] != "J-0031",
            unlike_reason="power could not be brought to the reference air"
            if not has_air
            else ""
            if made["job_id"] != "J-0031"
            else "other fuel: E5 before, E85 after",
            is_pooled=has_air and made["job_id"] != "J-0031",
            pulls_before=3,
            pulls_after=3,
            riding_from_rpm=float(first[3][riding][0]),
            riding_to_rpm=float(first[3][-1]),
            mean_gain_pct=mean,
            mean_gain_lower_pct=mean - half,
            mean_gain_upper_pct=mean + half,
            peak_gain_pct=mean + 0.4,
            peak_gain_lower_pct=mean - 1.1,
            peak_gain_upper_pct=mean + 1.9,
            peak_gain_w=float(last[4].max() - first[4].max()),
            gain_at_peak_pct=mean,
            gain_at_peak_w=900.0,
            greatest_gain_pct=float(gain.max()),
            greatest_gain_lower_pct=float(gain.max()) - half,
            greatest_gain_upper_pct=float(gain.max()) + half,
            greatest_loss_lower_pct=None,
            greatest_loss_upper_pct=None,
            greatest_gain_speed_rpm=float(first[3][gain.argmax()]),
            greatest_loss_pct=None,
            greatest_loss_speed_rpm=None,
            over_rev_rpm=150.0 if kind == "both" else None,
            smallest_detectable_pct=1.9,
            air_state="reference",
            verdict=verdict,
            verdict_at_peak=verdict,
            mean_verdict_p=0.01,
            peak_verdict_p=0.01,
            verdicts_together=3,
            is_real_alone=verdict != "within noise",
            trend_pct=0.0,
            would_cut='{"code": "part leads", "component": "remounting", "share": 0.7}',
            log_mean_gain=float(np.log1p(mean / 100)),
            log_mean_gain_sd=0.0066,
            log_peak_gain=float(np.log1p(mean / 100)),
            log_peak_gain_sd=0.008,
            made_from="test",
        )
        for component, share in (("remounting", 0.7), ("scatter of pulls", 0.3)):
            rows.add(
                "out.gain_budget",
                gain_id=gain_id,
                component=component,
                sd_pct=0.66 * share**0.5,
                dof=12.0,
                origin="the shop's own",
                share_of_variance=share,
                is_assumed=False,
            )
        if not has_air:
            untold = rows["out.gain"][-1]
            untold |= dict.fromkeys(("verdict", "verdict_at_peak"), "cannot be told: no air")
            untold |= {"air_state": "none", "mean_verdict_p": None, "peak_verdict_p": None}
            untold |= {"verdicts_together": None, "is_real_alone": False}
            continue
        rows.setdefault("out.gain_curve", []).extend(
            {
                "gain_id": gain_id,
                "engine_speed_rpm": at,
                "before_w": was,
                "after_w": now,
                "gain_pct": pct,
                "lower_pct": pct - 1.5,
                "upper_pct": pct + 1.5,
                "whole_lower_pct": pct - 2.3,
                "whole_upper_pct": pct + 2.3,
            }
            for at, was, now, pct in zip(first[3], first[4], last[4], gain, strict=True)
        )


def _rankings(rows: _Rows) -> None:
    """Add what is computed over bikes: needs, pooled effects, similar builds, dyno."""
    stage_of = {row["stage_id"]: row for row in rows["core.stage"]}
    build_of = {row["build_id"]: row for row in rows["core.build"]}
    groups: dict[tuple, list] = {}
    for row in rows["out.stage_mixture"]:
        build = build_of[stage_of[row["stage_id"]]["build_id"]]
        if row["job_id"] == "J-0001" or row["worst_lean_error_pct"] is None:
            continue
        is_stock = build["map_name"] == "stock"
        map_label = "stock" if is_stock else f"{build['map_name']} r{build['map_revision']}"
        groups.setdefault((row["model_id"], build["parts_key"], map_label, is_stock), []).append(
            row
        )
    ranked = []
    for key, members in groups.items():
        lean = sum(row["level"] in ("warn", "stop") for row in members)
        share = (lean + 0.5) / (len(members) + 1)
        half = 0.9 / np.sqrt(len(members) + 2)
        ranked.append((max(0.02, share - half), min(0.98, share + half), share, lean, key, members))
    ranked.sort(key=lambda entry: -entry[0])
    for rank, (low, high, share, lean, key, members) in enumerate(ranked, start=1):
        need_id = f"N{rank:02d}"
        model_id, parts_key, map_label, is_stock = key
        worst = float(np.mean([row["worst_lean_error_pct"] for row in members]))
        rows.add(
            "out.remap_need",
            need_id=need_id,
            model_id=model_id,
            parts_key=parts_key,
            map_label=map_label,
            fuel="E10",
            is_stock_map=is_stock,
            bikes=len(members),
            lean_bikes=lean,
            built_bikes=len(members) + 2,
            is_prior_assumed=False,
            warn_share=share,
            warn_lower_share=low,
            warn_upper_share=high,
            worst_error_pct=worst,
            worst_error_lower_pct=worst - 2,
            worst_error_upper_pct=worst + 2,
            worst_speed_from_rpm=6800.0,
            worst_speed_to_rpm=8100.0,
            cruise_bikes=0,
            cruise_out_share=None,
            given_back_bikes=len(members) if is_stock else 0,
            given_back_pct=2.4 if is_stock else None,
            given_back_lower_pct=1.1 if is_stock else None,
            given_back_upper_pct=3.7 if is_stock else None,
            need_rank=rank,
            sentence=f"{model_id} with {parts_key} on {map_label}: {lean} of {len(members)} bikes"
            f" show a warn-level lean window, at worst about {worst:.0f} % lean.",
            made_from="test",
        )
        for row in members:
            rows.add(
                "out.need_member",
                need_id=need_id,
                stage_id=row["stage_id"],
                bike_id=row["bike_id"],
                worst_lean_error_pct=row["worst_lean_error_pct"],
                worst_speed_rpm=row["worst_speed_rpm"],
                level=row["level"],
            )
        for of_need in (need_id, None) if rank == 1 else (need_id,):
            for moment, lean_of_4, low, high in (("arrived", 2, 0.15, 0.85), ("left", 0, 0, 0.36)):
                rows.add(
                    "out.need_quarter",
                    need_quarter_id=f"{of_need} {moment}",
                    need_id=of_need,
                    quarter_label="2025 Q2",
                    moment=moment,
                    bikes=4,
                    lean_bikes=lean_of_4,
                    built_bikes=5,
                    lean_share=lean_of_4 / 4,
                    lean_lower_share=low,
                    lean_upper_share=high,
                    made_from="test",
                )
    effects: dict[tuple, list] = {}
    for row in (row for row in rows["out.gain"] if row["mean_gain_pct"] is not None):
        effects.setdefault((row["model_id"], row["change_kind"], row["change_key"]), []).append(row)
    figure = "mean gain over the riding range"
    of_all: dict[tuple, list] = {}
    for (_, kind, change), members in effects.items():
        of_all.setdefault((None, kind, change), []).extend(members)
    named = sorted(effects.items()) + sorted(of_all.items(), key=lambda item: item[0][1:])
    for number, ((model_id, kind, change), members) in enumerate(named):
        mean = float(np.mean([row["mean_gain_pct"] for row in members]))
        effect_id = f"E{number:03d}"
        rows.add(
            "out.pooled_effect",
            effect_id=effect_id,
            scope="one model" if model_id else "all models",
            model_id=model_id,
            change_kind=kind,
            change_key=change,
            figure=figure,
            bikes=len(members),
            jobs=len(members),
            own_mean_pct=mean,
            own_lower_pct=mean - 0.9,
            own_upper_pct=mean + 0.9,
            mean_pct=mean,
            lower_pct=mean - 0.8,
            upper_pct=mean + 0.8,
            next_lower_pct=mean - 2,
            next_upper_pct=mean + 2,
            measured_lower_pct=mean - 3,
            measured_upper_pct=mean + 3,
            planned_sd_pct=0.7,
            between_bikes_sd_pct=0.6,
            i2_share=0.3,
            borrowed_share=0.2 if model_id else 1.0,
            prior_share=0.7,
            made_from="test",
        )
        for row in members:
            rows.add(
                "out.pooled_member",
                effect_id=effect_id,
                gain_id=row["gain_id"],
                bike_id=row["bike_id"],
                gain_pct=row["mean_gain_pct"],
                gain_sd_pct=0.66,
            )
        for place, row in enumerate(members if model_id else ()):
            rows.add(
                "out.promise",
                made_from="test",
                gain_id=row["gain_id"],
                figure=figure,
                change_key=change,
                model_id=model_id,
                bike_id=row["bike_id"],
                run_on=row["run_on"],
                bikes=place,
                other_bikes=1,
                next_lower_pct=mean - 2,
                next_upper_pct=mean + 2,
                measured_lower_pct=mean - 3,
                measured_upper_pct=mean + 3,
                shown_pct=row["mean_gain_pct"],
                is_held=abs(row["mean_gain_pct"] - mean) <= 3,
            )
    _across(rows, effects)
    others = [row for row in rows["core.stage"] if row["stage_name"] == "parts fitted"]
    for row in rows["core.stage"]:
        alike = [other for other in others if other["bike_id"] != row["bike_id"]][:5]
        for rank, other in enumerate(alike, start=1):
            rows.add(
                "out.similar_build",
                stage_id=row["stage_id"],
                likeness_rank=rank,
                other_stage_id=other["stage_id"],
                other_job_id=other["job_id"],
                other_bike_id=other["bike_id"],
                similarity_share=0.96 - 0.07 * rank,
                unknown_share=0.0 if rank % 2 else 0.24,
                matches="same model; silencer: Halden S2 slip-on on both",
                differs="airbox: none here, Tessen open lid there",
                not_known="" if rank % 2 else "mixture shape",
                ended_on="Kestrel road r3",
                gained="+4.6 % (3.3 to 5.9) with parts and remap",
                went_wrong="" if rank % 2 else "14 % lean at 7,300 rpm before the remap",
            )


def _mixtures(rows: _Rows) -> None:
    """Suggested changes, expected mixtures and map revisions, one of each kind a few times over."""
    stage_of = {row["stage_id"]: row for row in rows["core.stage"]}
    build_of = {row["build_id"]: row for row in rows["core.build"]}
    throttle_axis, speed_axis = [0, 5, 10, 20, 40, 70, 100], list(range(2000, 9001, 1000))
    for row in list(rows["out.stage_mixture"]):
        if row["worst_lean_error_pct"] is None:
            continue
        stage = stage_of[row["stage_id"]]
        rows.add(
            "out.fuel_change",
            **{name: row[name] for name in ("stage_id", "job_id", "bike_id", "model_id")},
            cells_told=12,
            cells_held=2,
            cells_of_map=56,
            part_throttle_readings=21,
            trim_readings=1,
            full_throttle_readings=18,
            earlier_rounds=0,
            throttle_axis=json.dumps(throttle_axis),
            speed_axis=json.dumps(speed_axis),
            axes_origin="the map's own",
            most_change_pct=9.4,
            most_change_throttle_pct=100.0,
            most_change_speed_rpm=7000.0,
            round_note="",
            most_enrichment_pct=8.0,
            most_enleanment_pct=5.0,
            left_out="closed loop 3, too short 4",
            shape_sd_pct=3.1,
            shape_throttle_length=0.8,
            shape_speed_length_rpm=1100.0,
            shape_nugget_pct=0.4,
            sentence="Needs up to 9.4 % more fuel (8.1 to 10.7) at 100 % throttle and 7,000 rpm, "
            "of which +8.0 % in this round. 12 of 56 cells are told.",
            made_from="test",
        )
        for throttle in (10, 20, 100):
            for speed in (4000, 5000, 6000, 7000):
                needed = 9.4 * throttle / 100 * speed / 7000
                rows.add(
                    "out.fuel_change_cell",
                    stage_id=row["stage_id"],
                    throttle_pct=float(throttle),
                    speed_rpm=float(speed),
                    needed_pct=needed,
                    lower_pct=needed - 1.3,
                    upper_pct=needed + 1.3,
                    suggested_pct=min(np.ceil(2 * needed) / 2, 8.0),
                    evidence_share=0.8,
                    held_by="step" if needed > 8 else "",
                    is_guarded=throttle == 100,
                )
        if stage["stage_name"] == "remapped":
            rows.add(
                "out.fuel_change_check",
                stage_id=row["stage_id"],
                before_stage_id=f"{row['job_id']}/{stage['stage_no'] - 1}",
                job_id=row["job_id"],
                bike_id=row["bike_id"],
                is_suggestion=True,
                places=31,
                before_error_pct=8.2,
                after_error_pct=1.6,
                removed_share=0.8,
                removed_lower_share=0.71,
                removed_upper_share=0.89,
                part_removed_share=0.7,
                full_removed_share=0.9,
                came_share=0.94,
                sentence="The last suggestion removed 80 % of the error (71 to 89 %): from 8.2 to "
                "1.6 % on average; 94 % of the fuel it asked for shows in the mixture.",
            )
    for need in rows["out.remap_need"]:
        members = [m for m in rows["out.need_member"] if m["need_id"] == need["need_id"]]
        about = {name: need[name] for name in ("model_id", "parts_key", "map_label", "fuel")}
        expected_id = f"e{need['need_id']}"
        rows.add(
            "out.expected_mixture",
            expected_id=expected_id,
            **about,
            model_label=need["model_id"],
            bikes=len(members),
            other_bikes=9,
            borrowed_share=0.3,
            worst_from_rpm=6500.0,
            worst_to_rpm=8000.0,
            worst_speed_rpm=7250.0,
            worst_error_pct=11.0,
            worst_lower_pct=8.0,
            worst_upper_pct=14.0,
            enough_pct=15.0,
            limit_pct=8.0,
            within_limit_share=0.3,
            sentence=f"{need['model_id']} with {need['parts_key']}: expect 8 to 14 % lean from "
            "6,500 to 8,000 rpm, 11 % on average; start rich there.",
            made_from="test",
        )
        map_id = f"m{need['need_id']}"
        rows.add(
            "out.map_revision",
            map_id=map_id,
            model_id=need["model_id"],
            model_label=need["model_id"],
            map_name="stock" if need["is_stock_map"] else "Kestrel road",
            map_revision=None if need["is_stock_map"] else 3,
            map_label=need["map_label"],
            fuel=need["fuel"],
            map_from=None,
            parts_seen=need["parts_key"],
            bikes=len(members),
            lean_bikes=1,
            mean_size_pct=4.1,
            torque_weighted_error_pct=3.2,
            cruise_bikes=0,
            cruise_error_pct=None,
            cruise_size_pct=None,
            is_missing=True,
            is_newest=True,
            size_change_pct=None,
            size_change_lower_pct=None,
            size_change_upper_pct=None,
            is_paired=False,
            sentence=f"{need['map_label']}: 6 to 9 % lean from 5,750 to 7,000 rpm on 1 of 2 bikes.",
            made_from="test",
        )
        rows.add(
            "out.map_revision_region",
            map_id=map_id,
            side="lean",
            from_rpm=5750.0,
            to_rpm=7000.0,
            least_error_pct=6.0,
            most_error_pct=9.0,
            worst_speed_rpm=6500.0,
            bikes=len(members),
            bikes_missing=1,
            sentence="6 to 9 % lean from 5,750 to 7,000 rpm on 1 of 2 bikes",
        )
        for speed in range(3000, 9001, 250):
            mean = 9.0 * float(np.exp(-(((speed - 6500) / 1200) ** 2)))
            line = {"engine_speed_rpm": float(speed), "bikes": len(members)}
            ends = {"lower_pct": mean - 3.0, "upper_pct": mean + 3.0}
            rows.add(
                "out.expected_mixture_speed",
                expected_id=expected_id,
                expected_error_pct=mean,
                **line,
                **ends,
            )
            rows.add(
                "out.map_revision_speed",
                map_id=map_id,
                mean_error_pct=mean,
                between_bikes_sd_pct=1.5,
                **line,
                **ends,
            )
        rows.add(
            "out.expected_mixture_cell",
            expected_id=expected_id,
            throttle_from_pct=5.0,
            throttle_to_pct=10.0,
            speed_from_rpm=3000.0,
            speed_to_rpm=4000.0,
            expected_error_pct=4.0,
            lower_pct=1.0,
            upper_pct=7.0,
            bikes=len(members),
        )
        for member in members:
            stage = stage_of[member["stage_id"]]
            of_bike = {
                "stage_id": member["stage_id"],
                "bike_id": member["bike_id"],
                "job_id": stage["job_id"],
            }
            rows.add("out.expected_mixture_bike", expected_id=expected_id, **of_bike)
            rows.add(
                "out.map_revision_bike",
                map_id=map_id,
                **of_bike,
                parts_key=build_of[stage["build_id"]]["parts_key"],
                level=member["level"],
            )


def _health(rows: _Rows) -> None:
    """Hold the first stage of each bike against the others of its model, after a fashion."""
    curves: dict[str, list] = {}
    for row in rows["out.session_curve"]:
        curves.setdefault(row["stage_id"], []).append(row)
    first = {}
    for row in rows["out.session"]:
        if row["stage_id"].endswith("/1"):
            first.setdefault(row["bike_id"], row)
    for bike_id, row in first.items():
        others = [
            other
            for other in first.values()
            if other["model_id"] == row["model_id"] and other is not row
        ]
        forced = not row["is_corrected"]
        # The small shop calls one bike low and one lean, and compares no forced engine.
        low, lean = bike_id == "B-203", bike_id == "B-205"
        why = "its induction is forced" if forced else ""
        few = "there is 1 sibling to compare with, at least 5 are needed" if forced else ""
        sentence = "As its siblings: nothing in power or mixture stands out."
        if forced:
            sentence = f"Power cannot be compared: {why}."
        elif low:
            sentence = "Down 6.0 % on 8 siblings above 8,000 rpm: look for a fault before tuning."
        elif lean:
            sentence = "Leaner by 7.0 points of lean error on 8 siblings above 5,000 rpm."
        rows.add(
            "out.health",
            bike_id=bike_id,
            model_id=row["model_id"],
            stage_id=row["stage_id"],
            run_on=row["run_on"],
            power_health="not compared" if forced else "low" if low else "as its siblings",
            mixture_health="not compared" if forced else "leaner" if lean else "as its siblings",
            siblings=0 if forced else len(others),
            mixture_siblings=len(others),
            peak_change_pct=None if forced else -5.6 if low else 0.4,
            peak_z=None if forced else -5.1 if low else 0.3,
            shape_distance_pct=None if forced else 0.6,
            shape_z=None if forced else 0.2,
            lean_change_pct=None if forced else 7.0 if lean else -0.3,
            lean_z=None if forced else 4.4 if lean else -0.2,
            has_air_doubt=row["has_air_doubt"],
            power_reason=why,
            mixture_reason=few,
            sentence=sentence,
            further=f"Mixture cannot be compared: {few}." if few else "",
            made_from="test",
        )
        for quantity, change in (("power", -6.0),) * low + (("mixture", 7.0),) * lean:
            rows.add(
                "out.health_region",
                bike_id=bike_id,
                quantity=quantity,
                from_rpm=8000.0,
                to_rpm=8800.0,
                reaches_top=True,
                change_pct=change,
                region_z=change,
                siblings=8,
            )
        for other in others:
            rows.add(
                "out.health_sibling",
                bike_id=bike_id,
                other_bike_id=other["bike_id"],
                other_stage_id=other["stage_id"],
                is_power_sibling=not forced,
                is_mixture_sibling=True,
                left_out="power: power not at the reference air" if forced else "",
            )
        rows.setdefault("out.health_curve", []).extend(
            {
                "bike_id": bike_id,
                "engine_speed_rpm": point["engine_speed_rpm"],
                "siblings": len(others),
                "usual_power_w": point["power_w"] * 1.02,
                "usual_power_lower_w": point["power_w"] * 1.01,
                "usual_power_upper_w": point["power_w"] * 1.03,
                "usual_lean_error_pct": 1.0,
                "usual_lean_error_lower_pct": 0.2,
                "usual_lean_error_upper_pct": 1.9,
            }
            for point in curves[row["stage_id"]]
            if not forced
        )


def _dyno(rows: _Rows) -> None:
    control = [row for row in rows["out.session"] if row["job_id"] <= "J-0024"]
    control.sort(key=lambda row: row["run_on"])
    first = control[0]["peak_power_w"]
    for number, row in enumerate(control):
        level = 100 * (row["peak_power_w"] / first - 1) + 0.6 * np.sin(5 * number)
        rows.add(
            "out.dyno_check",
            stage_id=row["stage_id"],
            bike_id=row["bike_id"],
            dyno="main dyno",
            run_on=row["run_on"],
            level_pct=level,
            level_lower_pct=-1.8 if number >= 8 else None,
            level_upper_pct=1.8 if number >= 8 else None,
            sum_above=max(0.0, level),
            sum_below=max(0.0, -level),
            sum_limit=2.8,
            shift_pct=0.0 if number < 10 else 2.9,
            is_reference=number < 10,
            air_density_kg_m3=row["air_density_kg_m3"],
            has_air_doubt=row["has_air_doubt"],
            signal="beyond the upper limit" if level > 1.8 else "",
            made_from="test",
        )
    for number, (subject, state, sentence) in enumerate(
        (
            ("level", "act", "The dyno reads 2.9 % higher than in the reference period."),
            ("air", "watch", "Corrected power still follows air density."),
            ("repeatability", "good", "Back-to-back pulls repeat within 0.4 %."),
        ),
        start=1,
    ):
        rows.add(
            "out.dyno_verdict",
            verdict_no=number,
            subject=subject,
            is_of_dyno=subject == "level",
            state=state,
            sentence=sentence,
            figure=1.2,
            figure_lower=0.8,
            figure_upper=1.6,
            made_from="test",
        )
    for number, (kind, last_on, size) in enumerate(
        (("shift", None, 2.9), ("weather", control[8]["run_on"], 3.6)), start=1
    ):
        rows.add(
            "out.dyno_event",
            event_no=number,
            dyno_event=f"main dyno: {kind}",
            dyno="main dyno",
            event_kind=kind,
            begins_after=control[6]["run_on"],
            first_on=control[7]["run_on"],
            last_on=last_on,
            event_pct=size,
            event_half_pct=0.4 if kind == "shift" else None,
            dyno_drift_sd=size / 100,
            sessions_affected=1,
            sentence="The dyno has read +2.9 % against its first level.",
            remedy="Look for what was changed on the dyno then.",
            made_from="test",
        )
    rows.add(
        "out.session_drift",
        stage_id=control[8]["stage_id"],
        dyno_drift_sd=0.029,
        dyno_event="main dyno: shift",
        in_event_share=1.0,
        sentence="The dyno has read +2.9 % against its first level.",
        made_from="test",
    )
    rows.add(
        "out.trust",
        repeatability_share=0.0041,
        repeatability_dof=212.0,
        repeatability_origin='{"code": "own sessions", "sessions": 212}',
        is_repeatability_assumed=False,
        remount_share=0.0072,
        remount_dof=12.0,
        remount_pairs=23,
        remount_origin=MOUNTINGS,
        is_remount_assumed=False,
        day_share=0.0031,
        day_dof=14.0,
        day_origin=MOUNTINGS,
        is_day_assumed=False,
        other_day_share=0.008,
        other_day_dof=16.0,
        is_other_day_assumed=False,
        air_exponent_share=0.1732,
        air_exponent_origin='{"code": "trust assumed"}',
        default_told="[]",
        made_from="test",
    )
    for low, high, share in ((0.4, 0.65, 0.006), (0.65, 0.9, 0.007), (0.9, 1.15, 0.0085)):
        rows.add(
            "out.remount_region",
            from_peak_speed_share=low,
            to_peak_speed_share=high,
            remount_share=share,
            bend_share=0.004,
            remount_dof=12.0,
            remount_pairs=23,
            remount_origin='{"code": "of this region"}',
            made_from="test",
        )
    for is_put_back in (False, True):
        for handling in ("strapped once, rested", "taken off between"):
            for pulls in range(1, 11):
                floor = 0.3 if handling == "strapped once, rested" else 3.2
                rows.add(
                    "out.plan",
                    is_put_back=is_put_back,
                    handling=handling,
                    pulls=pulls,
                    smallest_detectable_pct=floor + 2.0 / pulls,
                    floor_pct=floor,
                    made_from="test",
                )
    for fact, text, meaning in (
        ("reference_air", "SAE J1349", "Air that corrected power is stated at"),
        ("target_full_throttle", "0.87", "Full-throttle target where a stage names none"),
    ):
        rows.add("out.shop_fact", fact=fact, fact_value=text, meaning=meaning)


def _odd_files(rows: _Rows) -> None:
    doubted = next(one for one in rows["core.pull"] if one["stage_id"].startswith("J-0026"))
    rows.add(
        "out.log_doubt",
        model_id=MODELS[0][0],
        file_sha256=doubted["file_sha256"],
        reason_code="gearing unlike the others",
        reason=note("road speed in another unit", times=1.609, likely="mph", layout="main dyno"),
    )
    for job, name, state, code, reason, rejected in (
        (
            "J-0026",
            "run_99.csv",
            "refused",
            "too-many-rejected",
            note(
                "too many bad rows",
                rejected=31,
                rows=540,
                most_share=0.05,
                rule="at most 20,000 rpm",
                breaks=31,
                line=12,
                column="rpm",
                found="31012",
                is_unit=False,
                is_grouped=False,
            ),
            31,
        ),
        (
            "J-0029",
            "track.log",
            "waiting",
            "untaught",
            note("layout not taught", format="text", columns=5, divided_by=";", near=None),
            0,
        ),
        (
            "J-0031",
            "run_07.csv",
            "missing",
            "named-not-there",
            note("file missing", stage_no=1, stage_name="base"),
            0,
        ),
        (
            "J-0032",
            "copy of run_11.csv",
            "duplicate",
            "same-bytes",
            note("same bytes", file_name="run_11.csv", folder="J-0032"),
            0,
        ),
    ):
        sha = f"{len(rows['raw.outcome']) + 9_000_000:064x}" if state != "missing" else None
        rows.add(
            "raw.outcome",
            job_folder=job,
            file_name=name,
            file_sha256=sha,
            state=state,
            reason_code=code,
            reason=reason,
            stage_id=None,
        )
        if sha:
            rows.add(
                "raw.arrival",
                job_folder=job,
                file_name=name,
                file_sha256=sha,
                arrival_no=len(rows["raw.arrival"]) + 1,
                last_no=len(rows["raw.arrival"]) + 1,
                size_bytes=20_000,
                modified_ns=0,
                received_at=datetime(2026, 6, 24, 8, 0, tzinfo=UTC),
                is_current=True,
                is_present=True,
            )
        if state == "refused":
            rows.add(
                "raw.reading",
                file_sha256=sha,
                sample_id="x",
                state="refused",
                layout="main-dyno-metric",
                layout_kind="pull",
                equipment="main dyno",
                read_with="1",
                recognised_with="1",
                reason_code=code,
                reason=reason,
                rows_read=540,
                rows_kept=509,
                rows_rejected=rejected,
                facts="{}",
                sample_path=None,
            )
            for line in range(12, 18):
                rows.add(
                    "raw.rejected_row",
                    file_sha256=sha,
                    line_no=line,
                    column_name="engine_speed_rpm",
                    rule="at most 20,000 rpm",
                    found=f"{31_000 + line}",
                )


def _notes_of_people(rows: _Rows) -> None:
    """Add notes to a job, a stage, a part on a model and a model, one of them taken back."""
    part = dict(zip(("category", "maker", "part_name"), PARTS[0], strict=True))
    for number, said in enumerate(
        (
            {"job_id": "J-0026", "note_text": f"kickstand {ODD_NOTE}"},
            {"job_id": "J-0026", "stage_no": 2, "note_text": f"gasket {ODD_NOTE}"},
            {"model_id": MODELS[2][0], "note_text": "subframe cracks"} | part,
            {"model_id": MODELS[2][0], "note_text": "petcock leaks"},
            {"job_id": "J-0026", "note_text": "withdrawn words", "is_taken_back": True},
            {"job_id": rows["out.similar_build"][0]["other_job_id"], "note_text": "chain rattles"},
        )
    ):
        name, sha = f"{number}.toml", f"{9_500_000 + number:064x}"
        named = dict.fromkeys(("job_id", "stage_no", "category", "maker", "part_name", "model_id"))
        given = {"noted_on": date(2026, 6, 20), "noted_by": "mk", "is_taken_back": False} | said
        rows.add(
            "raw.shop_note",
            **named | {"note_name": name, "file_sha256": sha, "is_in_force": True} | given,
        )
        rows["raw.shop_note"][-1]["problems"] = "[]"
        rows.add(
            "raw.arrival",
            job_folder="_notes",
            file_name=name,
            file_sha256=sha,
            arrival_no=len(rows["raw.arrival"]) + 1,
            last_no=len(rows["raw.arrival"]) + 1,
            size_bytes=200,
            modified_ns=0,
            received_at=datetime(2026, 6, 24, 8, 0, tzinfo=UTC),
            is_current=True,
            is_present=True,
        )


def make_shop(folder: Path, *, published: bool = True, filled: bool = True) -> Path:
    """Make a shop's folder, with a snapshot that is empty or holds the invented rows."""
    folder.mkdir(parents=True, exist_ok=True)
    shop = ShopFolder(folder)
    shop.settings.write_text(SETTINGS, encoding="utf-8")
    if not published:
        return folder
    with duckdb.connect() as connection:
        connection.execute("SET TimeZone = 'UTC'")
        store.create(connection)
        if filled:
            rows = _Rows()
            _stages(rows, np.random.default_rng(GENERATOR_SEED))
            _rankings(rows)
            _mixtures(rows)
            _health(rows)
            _dyno(rows)
            _odd_files(rows)
            _notes_of_people(rows)
            for table, of_table in rows.items():
                _fill(connection, table, of_table)
        now = datetime(2026, 6, 27, 18, 30, tzinfo=UTC)
        snapshot.publish(connection, shop, [], now, Contents(connection))
    return folder


@pytest.fixture
def closed_snapshots():
    # A snapshot's settings are locked once open: within one process it is opened once at a time.
    yield
    st.cache_data.clear()
    st.cache_resource.clear()


@pytest.fixture(scope="session")
def small_shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_shop(tmp_path_factory.mktemp("small"))


@pytest.fixture(scope="session")
def empty_shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_shop(tmp_path_factory.mktemp("empty"), filled=False)


@pytest.fixture(scope="session")
def unpublished_shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_shop(tmp_path_factory.mktemp("unpublished"), published=False)


@pytest.fixture(scope="session")
def _two_pulled_stages(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = LittleShop(tmp_path_factory.mktemp("two-pulled-stages") / "shop")
    card = made.folder.inbox / made.job(1, levels=(1.0, 1.1)) / "card.toml"
    text = card.read_text(encoding="utf-8")
    card.write_text("# the owner waits for a call\n" + text, encoding="utf-8")
    made.update()
    return made.folder.root


@pytest.fixture
def shop_of_one_job(_two_pulled_stages: Path, tmp_path: Path) -> LittleShop:
    """Copy a published shop of one job: two stages of two pulls, a comment on its card."""
    return LittleShop(shutil.copytree(_two_pulled_stages, tmp_path / "shop"))


@pytest.fixture(scope="module")
def reader(small_shop: Path):
    current = snapshot.current(small_shop)
    assert current is not None
    with snapshot.open_reader(current.path) as connection:
        yield connection


@pytest.fixture
def make_small_shop():
    return make_shop


class WorkerHere:
    """Calls in this process what a worker would call in its own."""

    def call(self, _limits, function, *arguments):
        return function(*arguments)


@pytest.fixture
def commands_here(request, monkeypatch):
    """Answer what the pages ask in this process: starting one takes seconds.

    Not where a test is marked `own_process`.
    """
    if request.node.get_closest_marker("own_process") is not None:
        return

    def ask(_, asked, tell=None, within_s=None):
        said = []
        answer(asked, WorkerHere(), said.append)
        if isinstance(said[-1], Failed):
            raise desk.DeskError(said[-1].reason)
        return said[-1]

    monkeypatch.setattr(desk.Desk, "ask", ask)
    monkeypatch.setattr(desk.Desk, "start", lambda _: None)
