"""One function a question, each one statement over the published tables of `out`."""

from __future__ import annotations

from typing import Any

import duckdb
import polars as pl

Reader = duckdb.DuckDBPyConnection

MOST_FILES_LISTED = 2_000
"""Rows of the list of all files that a page draws; the count is stated beside it."""


def _rows(reader: Reader, query: str, *values: Any) -> pl.DataFrame:
    return reader.sql(query, params=list(values)).pl()


def file_counts(reader: Reader) -> pl.DataFrame:
    """Return how many files stand in each state."""
    return _rows(
        reader,
        "SELECT state, count(*) AS files, sum(rows_rejected)::BIGINT AS rows_rejected "
        "FROM out.file GROUP BY state ORDER BY state",
    )


def job_folders(reader: Reader) -> pl.DataFrame:
    """Return the job folders that received files last, with their files by state."""
    return _rows(
        reader,
        """
        SELECT
            job_folder,
            max(received_at) AS last_received_at,
            count(*) FILTER (state = 'taken in') AS taken_in,
            count(*) FILTER (state = 'waiting') AS waiting,
            count(*) FILTER (state = 'refused') AS refused,
            count(*) FILTER (state = 'missing') AS missing,
            count(*) FILTER (state = 'duplicate') AS duplicate
        FROM out.file
        GROUP BY job_folder
        ORDER BY last_received_at DESC NULLS LAST, job_folder DESC
        LIMIT 12
        """,
    )


def files_in_need(reader: Reader) -> pl.DataFrame:
    """Return the files that somebody has to see to, latest first."""
    return _rows(
        reader,
        """
        SELECT
            job_folder, file_name, state, reason_code, reason, remedy, rows_read, rows_rejected,
            layout, size_bytes, received_at, file_sha256
        FROM out.file
        WHERE state IN ('waiting', 'refused', 'missing')
        ORDER BY received_at DESC NULLS LAST, job_folder DESC, file_name
        """,
    )


def files_with_rejected_rows(reader: Reader) -> pl.DataFrame:
    """Return the files of which rows were rejected, latest first."""
    return _rows(
        reader,
        """
        SELECT job_folder, file_name, state, rows_read, rows_rejected, file_sha256
        FROM out.file
        WHERE rows_rejected > 0
        ORDER BY received_at DESC NULLS LAST, job_folder DESC, file_name
        """,
    )


def rejected_rows(reader: Reader, file_sha256: str) -> pl.DataFrame:
    """Return the first rejected rows of a file with the rule that each one broke."""
    return _rows(
        reader,
        "SELECT line_no, column_name, rule, found FROM out.rejected_row WHERE file_sha256 = ? "
        "ORDER BY line_no, column_name, rule",
        file_sha256,
    )


def files(reader: Reader, states: tuple[str, ...], text: str) -> pl.DataFrame:
    """Return the files in these states whose job or name holds a text, latest first."""
    return _rows(
        reader,
        """
        SELECT
            job_folder, file_name, state, layout, rows_kept, rows_rejected, size_bytes,
            received_at, left(file_sha256, 12) AS sha256_start, count(*) OVER () AS found
        FROM out.file
        WHERE list_contains(?, state) AND contains(lower(job_folder || '/' || file_name), lower(?))
        ORDER BY received_at DESC NULLS LAST, job_folder DESC, file_name
        LIMIT ?
        """,
        list(states),
        text,
        MOST_FILES_LISTED,
    )


def pull_counts(reader: Reader) -> pl.DataFrame:
    """Return how many pulls there are and how many no curve rests on."""
    return _rows(
        reader,
        "SELECT count(*) AS pulls, count(*) FILTER (NOT is_used) AS pulls_excluded FROM out.pull",
    )


def remap_needs(reader: Reader) -> pl.DataFrame:
    """Return the combinations by their need of a remap, surest first."""
    return _rows(
        reader,
        """
        WITH
        models AS (SELECT DISTINCT model_id, model_label FROM out.stage),
        parts AS (SELECT parts_key, any_value(parts_label) AS parts_label FROM out.stage GROUP BY 1)
        SELECT
            need.* EXCLUDE (made_from),
            coalesce(models.model_label, need.model_id) AS model_label,
            coalesce(parts.parts_label, need.parts_key) AS parts_label
        FROM out.remap_need AS need
        LEFT JOIN models USING (model_id)
        LEFT JOIN parts USING (parts_key)
        ORDER BY need.need_rank
        """,
    )


def need_members(reader: Reader, need_id: str) -> pl.DataFrame:
    """Return the stages behind a remap need, leanest first."""
    return _rows(
        reader,
        """
        SELECT
            member.stage_id, member.bike_id, stage.job_id, stage.stage_name, stage.received_on,
            member.level, member.worst_lean_error_pct, member.worst_speed_rpm
        FROM out.need_member AS member
        LEFT JOIN out.stage AS stage USING (stage_id)
        WHERE member.need_id = ?
        ORDER BY member.worst_lean_error_pct DESC NULLS LAST, member.stage_id
        """,
        need_id,
    )


def need_effects(reader: Reader, need_id: str) -> pl.DataFrame:
    """Return what led to these stages and what led on from them gave, over the model's bikes."""
    return _rows(
        reader,
        """
        WITH members AS (SELECT stage_id FROM out.need_member WHERE need_id = $1),
        touching AS (
            SELECT DISTINCT
                member.effect_id,
                gain.before_stage_id IN (SELECT stage_id FROM members) AS leads_on
            FROM out.pooled_member AS member
            INNER JOIN out.gain AS gain USING (gain_id)
            WHERE
                gain.before_stage_id IN (SELECT stage_id FROM members)
                OR gain.after_stage_id IN (SELECT stage_id FROM members)
        )
        SELECT
            touching.leads_on, effect.change_kind, effect.change_key, effect.figure, effect.bikes,
            effect.mean_pct, effect.lower_pct, effect.upper_pct, effect.next_lower_pct,
            effect.next_upper_pct, effect.borrowed_share, effect.sentence
        FROM out.pooled_effect AS effect
        INNER JOIN touching USING (effect_id)
        INNER JOIN out.remap_need AS need ON effect.model_id = need.model_id
        WHERE need.need_id = $1
        ORDER BY touching.leads_on DESC, effect.bikes DESC, effect.change_key, effect.figure
        """,
        need_id,
    )


def session_curves(reader: Reader, stage_ids: tuple[str, ...]) -> pl.DataFrame:
    """Return the mean curves of some stages."""
    return _rows(
        reader,
        """
        SELECT
            stage_id, engine_speed_rpm, power_w, torque_nm, lambda_wide, lambda_target,
            lean_error_pct
        FROM out.session_curve
        WHERE list_contains(?, stage_id)
        ORDER BY stage_id, engine_speed_rpm
        """,
        list(stage_ids),
    )


def uncorrected_stages(reader: Reader, stage_ids: tuple[str, ...]) -> pl.DataFrame:
    """Return those of some stages whose power stands as measured."""
    return _rows(
        reader,
        "SELECT stage_id FROM out.session WHERE list_contains(?, stage_id) AND NOT is_corrected",
        list(stage_ids),
    )


def stages(reader: Reader) -> pl.DataFrame:
    """Return every stage with what is needed to recognise it, latest first."""
    return _rows(
        reader,
        """
        SELECT
            stage.stage_id, stage.job_id, stage.bike_id, stage.stage_no, stage.stage_name,
            stage.received_on, stage.is_control, stage.model_label, stage.map_label, stage.fuel,
            stage.parts_label, count(alike.likeness_rank) AS alike
        FROM out.stage AS stage
        LEFT JOIN out.similar_build AS alike USING (stage_id)
        GROUP BY ALL
        ORDER BY stage.received_on DESC, stage.job_id DESC, stage.stage_no DESC
        """,
    )


def similar_builds(reader: Reader, stage_id: str) -> pl.DataFrame:
    """Return the builds on other bikes that are most like a stage's, likest first."""
    return _rows(
        reader,
        """
        SELECT
            alike.likeness_rank, alike.other_stage_id, alike.other_job_id, alike.other_bike_id,
            alike.similarity_share, alike.matches, alike.differs, alike.ended_on, alike.gained,
            alike.went_wrong, stage.stage_name, stage.received_on, stage.model_label,
            stage.map_label, stage.parts_label, stage.fuel
        FROM out.similar_build AS alike
        LEFT JOIN out.stage AS stage ON alike.other_stage_id = stage.stage_id
        WHERE alike.stage_id = ?
        ORDER BY alike.likeness_rank
        """,
        stage_id,
    )


def bikes(reader: Reader) -> pl.DataFrame:
    """Return the bikes that were on the dyno, the last one first."""
    return _rows(
        reader,
        """
        SELECT
            stage.bike_id, any_value(stage.model_label) AS model_label,
            bool_or(stage.is_control) AS is_control, max(stage.received_on) AS last_on,
            count(DISTINCT stage.job_id) AS jobs
        FROM out.stage AS stage
        INNER JOIN out.session AS session USING (stage_id)
        GROUP BY stage.bike_id
        ORDER BY is_control, last_on DESC, max(stage.job_id) DESC
        """,
    )


def gains_of_bike(reader: Reader, bike_id: str) -> pl.DataFrame:
    """Return the gains of a bike: latest job first, the whole change before its parts."""
    return _rows(
        reader,
        """
        SELECT
            gain.* EXCLUDE (made_from),
            before.stage_name AS before_name, before.job_id AS before_job_id,
            before.map_label AS before_map, before.parts_label AS before_parts,
            before.fuel AS before_fuel,
            after.stage_name AS after_name, after.map_label AS after_map,
            after.parts_label AS after_parts, after.fuel AS after_fuel
        FROM out.gain AS gain
        INNER JOIN out.stage AS before ON gain.before_stage_id = before.stage_id
        INNER JOIN out.stage AS after ON gain.after_stage_id = after.stage_id
        WHERE gain.bike_id = ?
        ORDER BY
            gain.run_on DESC, gain.job_id DESC, after.stage_no DESC, before.received_on DESC,
            before.stage_no
        """,
        bike_id,
    )


def sessions_of_bike(reader: Reader, bike_id: str) -> pl.DataFrame:
    """Return the sessions of a bike, latest first."""
    return _rows(
        reader,
        """
        SELECT
            session.* EXCLUDE (made_from), stage.stage_no, stage.stage_name, stage.map_label,
            stage.parts_label, stage.fuel, stage.model_label
        FROM out.session AS session
        INNER JOIN out.stage AS stage USING (stage_id)
        WHERE session.bike_id = ?
        ORDER BY session.run_on DESC, session.job_id DESC, stage.stage_no DESC
        """,
        bike_id,
    )


def gain_curve(reader: Reader, gain_id: str) -> pl.DataFrame:
    """Return a gain over engine speed with its bands."""
    return _rows(
        reader,
        """
        SELECT
            engine_speed_rpm, before_w, after_w, gain_pct, lower_pct, upper_pct, whole_lower_pct,
            whole_upper_pct
        FROM out.gain_curve
        WHERE gain_id = ?
        ORDER BY engine_speed_rpm
        """,
        gain_id,
    )


def stage_mixtures(reader: Reader, stage_ids: tuple[str, ...]) -> pl.DataFrame:
    """Return how the full-throttle mixture of some stages stands."""
    return _rows(
        reader,
        "SELECT * EXCLUDE (made_from) FROM out.stage_mixture WHERE list_contains(?, stage_id)",
        list(stage_ids),
    )


def lean_windows(reader: Reader, stage_ids: tuple[str, ...]) -> pl.DataFrame:
    """Return the lean and rich windows of some stages."""
    return _rows(
        reader,
        "SELECT * FROM out.lean_window WHERE list_contains(?, stage_id) "
        "ORDER BY stage_id, side, from_rpm",
        list(stage_ids),
    )


def pulls(reader: Reader, stage_ids: tuple[str, ...]) -> pl.DataFrame:
    """Return the pulls of some stages, in the order they were run."""
    return _rows(
        reader,
        """
        SELECT
            stage.job_id, stage.bike_id, stage.stage_name, pull.pull_no, pull.is_used,
            pull.trouble, pull.notes,
            pull.peak_power_w, pull.peak_power_speed_rpm, pull.peak_power_mid_w,
            pull.peak_power_lower_w, pull.peak_power_upper_w, pull.peak_torque_nm,
            pull.peak_torque_speed_rpm, pull.sweep_from_rpm, pull.sweep_to_rpm,
            pull.reference_air, pull.reference_factor, pull.file_standard, pull.file_factor,
            pull.factor_disagreement_pct, pull.probe_place, pull.has_lambda, pull.file_name,
            left(pull.file_sha256, 12) AS sha256_start, pull.started_at, pull.stage_id
        FROM out.pull AS pull
        INNER JOIN out.stage AS stage USING (stage_id)
        WHERE list_contains(?, pull.stage_id)
        ORDER BY stage.received_on, stage.stage_no, pull.pull_no
        """,
        list(stage_ids),
    )


def cruise_cells(reader: Reader, stage_id: str) -> pl.DataFrame:
    """Return the steady part-throttle mixture of a stage: of each place what open loop showed.

    A place that was seen in closed loop only has that.
    """
    return _steady_cells(reader, "out.cruise_cell", "throttle_from_pct", stage_id)


def pressure_cells(reader: Reader, stage_id: str) -> pl.DataFrame:
    """Return the same on manifold pressure."""
    return _steady_cells(reader, "out.pressure_cell", "pressure_from_pa", stage_id)


def _steady_cells(reader: Reader, table: str, load: str, stage_id: str) -> pl.DataFrame:
    return _rows(
        reader,
        f"""
        SELECT * FROM {table} WHERE stage_id = ?
        QUALIFY row_number() OVER (
            PARTITION BY {load}, speed_from_rpm ORDER BY is_closed_loop
        ) = 1
        ORDER BY {load}, speed_from_rpm
        """,  # noqa: S608
        stage_id,
    )


def trim_cells(reader: Reader, stage_id: str) -> pl.DataFrame:
    """Return what the trims add in closed loop, the leanest base map first."""
    return _rows(
        reader,
        "SELECT * FROM out.trim_cell WHERE stage_id = ? "
        "ORDER BY dwell_s < 2, trim_pct DESC, throttle_from_pct, speed_from_rpm",
        stage_id,
    )


def transients(reader: Reader, stage_id: str) -> pl.DataFrame:
    """Return how many quick throttle movements of each kind and level there were, or why not."""
    return _rows(
        reader,
        """
        SELECT
            kind,
            CASE WHEN outcome = '' THEN level ELSE 'not judged: ' || outcome END AS level,
            count(*) AS movements,
            max(abs(depth_pct)) AS most_depth_pct,
            max(excursion_s) AS most_excursion_s
        FROM out.transient WHERE stage_id = ?
        GROUP BY kind, outcome, level
        ORDER BY kind DESC, outcome <> '', movements DESC, level
        """,
        stage_id,
    )


def stage_cruise(reader: Reader, stage_id: str) -> pl.DataFrame:
    """Return the part-throttle mixture of a stage in one line; none without a ride."""
    return _rows(reader, "SELECT * FROM out.stage_cruise WHERE stage_id = ?", stage_id)


def heat_of_job(reader: Reader, job_id: str) -> pl.DataFrame:
    """Return how hot the engine ran in each stage of a job, on rides and in pulls."""
    return _rows(
        reader,
        """
        SELECT
            stage.stage_name, stage.map_label, heat.cruise_s,
            heat.coolant_cruise_k - 273.15 AS coolant_cruise_degc,
            heat.oil_cruise_k - 273.15 AS oil_cruise_degc,
            heat.coolant_most_k - 273.15 AS coolant_most_degc,
            heat.oil_most_k - 273.15 AS oil_most_degc,
            max(pull.coolant_end_k) - 273.15 AS coolant_pull_degc,
            max(pull.oil_end_k) - 273.15 AS oil_pull_degc
        FROM out.stage AS stage
        LEFT JOIN out.stage_heat AS heat ON stage.stage_id = heat.stage_id
        LEFT JOIN out.pull AS pull ON stage.stage_id = pull.stage_id AND pull.is_used
        WHERE stage.job_id = ?
        GROUP BY ALL
        HAVING
            heat.coolant_cruise_k IS NOT NULL OR heat.oil_cruise_k IS NOT NULL
            OR max(pull.coolant_end_k) IS NOT NULL
        ORDER BY min(stage.stage_no)
        """,
        job_id,
    )


def window_knock(reader: Reader, stage_ids: tuple[str, ...]) -> pl.DataFrame:
    """Return what knock and ignition do in the windows of some stages."""
    return _rows(
        reader,
        """
        SELECT knock.*, stage.stage_name FROM out.window_knock AS knock
        INNER JOIN out.stage AS stage USING (stage_id)
        WHERE list_contains(?, stage_id) ORDER BY stage_id, from_rpm
        """,
        list(stage_ids),
    )


def rides(reader: Reader, stage_id: str) -> pl.DataFrame:
    """Return the rides of a stage with the time that is not evidence."""
    return _rows(
        reader,
        """
        SELECT
            ride.file_name, ride.duration_s, ride.steady_s, ride.closed_loop_s, ride.in_band_share,
            ride.lambda_from, ride.delay_s, ride.delay_lower_s, ride.delay_upper_s,
            ride.probe_lag_s, ride.delay_origin, ride.probe_place, ride.trouble,
            coalesce(string_agg(
                exclusion.exclusion_reason || ' ' || round(exclusion.excluded_s)::BIGINT || ' s',
                ', ' ORDER BY exclusion.excluded_s DESC
            ), '') AS left_out,
            left(ride.file_sha256, 12) AS sha256_start
        FROM out.ride AS ride
        LEFT JOIN out.ride_exclusion AS exclusion USING (ride_id)
        WHERE ride.stage_id = ?
        GROUP BY ALL
        ORDER BY ride.file_name
        """,
        stage_id,
    )


def dyno_verdicts(reader: Reader) -> pl.DataFrame:
    """Return the sentences on the dyno, in their order."""
    return _rows(reader, "SELECT * EXCLUDE (made_from) FROM out.dyno_verdict ORDER BY verdict_no")


def dyno_checks(reader: Reader) -> pl.DataFrame:
    """Return the control bike's sessions in the order they were run."""
    return _rows(
        reader,
        """
        SELECT check_run.* EXCLUDE (made_from), stage.job_id
        FROM out.dyno_check AS check_run
        LEFT JOIN out.stage AS stage USING (stage_id)
        ORDER BY check_run.bike_id, check_run.run_on, check_run.stage_id
        """,
    )


def dyno_events(reader: Reader) -> pl.DataFrame:
    """Return what happened to the dyno or its weather station, latest first."""
    return _rows(reader, "SELECT * EXCLUDE (made_from) FROM out.dyno_event ORDER BY event_no")


def sessions_in_drift(reader: Reader) -> pl.DataFrame:
    """Return which session stands in which event of the dyno, latest first."""
    return _rows(
        reader,
        """
        SELECT
            drift.stage_id, session.run_on, session.job_id, session.bike_id, stage.model_label,
            stage.stage_name, 100 * drift.dyno_drift_sd AS widened_pct,
            100 * drift.in_event_share AS sure_pct, drift.sentence
        FROM out.session_drift AS drift
        INNER JOIN out.session AS session USING (stage_id)
        INNER JOIN out.stage AS stage USING (stage_id)
        ORDER BY
            session.run_on DESC, session.job_id DESC, stage.stage_name, drift.dyno_event
        """,
    )


def unsettled_sessions(reader: Reader) -> pl.DataFrame:
    """Return the sessions that did not settle or drifted from pull to pull, latest first."""
    return _rows(
        reader,
        """
        SELECT
            session.run_on, session.job_id, session.bike_id, stage.model_label, stage.stage_name,
            session.pulls_used, session.is_settled, session.drift_pct_per_pull,
            session.drift_lower_pct_per_pull, session.drift_upper_pct_per_pull, session.notes
        FROM out.session AS session
        INNER JOIN out.stage AS stage USING (stage_id)
        WHERE
            NOT session.is_settled
            OR session.drift_upper_pct_per_pull < 0
            OR session.drift_lower_pct_per_pull > 0
        ORDER BY session.run_on DESC, session.job_id DESC, stage.stage_name
        """,
    )


def trust(reader: Reader) -> pl.DataFrame:
    """Return how well the dyno repeats itself, as every interval uses it."""
    return _rows(reader, "SELECT * EXCLUDE (made_from) FROM out.trust")


def remount_regions(reader: Reader) -> pl.DataFrame:
    """Return what strapping down again adds in each region of speed."""
    return _rows(
        reader,
        "SELECT * EXCLUDE (made_from) FROM out.remount_region ORDER BY from_peak_speed_share",
    )


def doubtful_sessions(reader: Reader) -> pl.DataFrame:
    """Return the sessions whose air readings are in doubt, latest first."""
    return _rows(
        reader,
        """
        SELECT
            session.run_on, session.job_id, session.bike_id, stage.model_label, stage.stage_name,
            max(abs(pull.factor_disagreement_pct)) AS factor_disagreement_pct,
            coalesce(min(nullif(pull.notes, '')), session.notes) AS notes
        FROM out.session AS session
        INNER JOIN out.stage AS stage USING (stage_id)
        LEFT JOIN out.pull AS pull USING (stage_id)
        WHERE session.has_air_doubt
        GROUP BY
            session.run_on, session.job_id, session.bike_id, stage.model_label, stage.stage_name,
            session.notes
        ORDER BY session.run_on DESC, session.job_id DESC, stage.stage_name
        """,
    )


def healths(reader: Reader) -> pl.DataFrame:
    """Return how each bike stands among its siblings, the latest baseline first."""
    return _rows(
        reader,
        """
        WITH models AS (SELECT DISTINCT model_id, model_label FROM out.stage)
        SELECT
            health.* EXCLUDE (made_from),
            coalesce(models.model_label, health.model_id) AS model_label,
            stage.job_id, stage.stage_name, stage.fuel,
            session.peak_power_w, session.peak_power_speed_rpm,
            power_health NOT IN ('as its siblings', 'not compared')
            OR mixture_health NOT IN ('as its siblings', 'not compared') AS is_unusual
        FROM out.health AS health
        LEFT JOIN models USING (model_id)
        LEFT JOIN out.session AS session ON health.stage_id = session.stage_id
        LEFT JOIN out.stage AS stage ON health.stage_id = stage.stage_id
        ORDER BY health.run_on DESC NULLS LAST, stage.job_id DESC, health.bike_id
        """,
    )


def health_regions(reader: Reader, bike_id: str) -> pl.DataFrame:
    """Return the stretches of engine speed where a bike differs from its siblings."""
    return _rows(
        reader,
        "SELECT * FROM out.health_region WHERE bike_id = ? ORDER BY quantity DESC, from_rpm",
        bike_id,
    )


def health_curve(reader: Reader, bike_id: str) -> pl.DataFrame:
    """Return a bike's baseline beside what is usual among its siblings."""
    return _rows(
        reader,
        """
        SELECT
            points.engine_speed_rpm, points.power_w, points.lean_error_pct,
            usual.* EXCLUDE (bike_id, engine_speed_rpm)
        FROM out.health AS health
        INNER JOIN out.session_curve AS points ON health.stage_id = points.stage_id
        LEFT JOIN out.health_curve AS usual
            ON health.bike_id = usual.bike_id AND points.engine_speed_rpm = usual.engine_speed_rpm
        WHERE health.bike_id = ?
        ORDER BY points.engine_speed_rpm
        """,
        bike_id,
    )


def health_siblings(reader: Reader, bike_id: str) -> pl.DataFrame:
    """Return the other bikes of a bike's model, those that count first, strongest first."""
    return _rows(
        reader,
        """
        SELECT
            sibling.other_bike_id, sibling.is_power_sibling, sibling.is_mixture_sibling,
            sibling.left_out, session.job_id, session.run_on, session.peak_power_w,
            session.peak_power_speed_rpm, mixture.torque_weighted_error_pct
        FROM out.health_sibling AS sibling
        LEFT JOIN out.session AS session ON sibling.other_stage_id = session.stage_id
        LEFT JOIN out.stage_mixture AS mixture ON sibling.other_stage_id = mixture.stage_id
        WHERE sibling.bike_id = ?
        ORDER BY
            sibling.is_power_sibling DESC, sibling.is_mixture_sibling DESC,
            session.peak_power_w DESC, sibling.other_bike_id
        """,
        bike_id,
    )


def quarters(reader: Reader) -> pl.DataFrame:
    """Return the quarters in which something came in, latest first."""
    return _rows(reader, "SELECT DISTINCT quarter_label FROM out.stage ORDER BY quarter_label DESC")


def quarter_figures(reader: Reader, quarter: str) -> pl.DataFrame:
    """Return what came in during a quarter, beside the quarter before."""
    return _rows(
        reader,
        """
        SELECT figure, figure_value, previous_value
        FROM out.quarter_figure
        WHERE quarter_label = ?
        ORDER BY
            coalesce(list_position([
                'bikes', 'jobs', 'pulls', 'rides', 'control sessions', 'files refused or waiting',
                'stages lean at warn or stop', 'comebacks within 60 days'
            ], figure), 99),
            figure
        """,
        quarter,
    )


def quarter_gains(reader: Reader, quarter: str) -> pl.DataFrame:
    """Return what each kind of change gave in a quarter, the commonest first."""
    return _rows(
        reader,
        """
        SELECT summary.* EXCLUDE (quarter_label)
        FROM out.quarter_gain AS summary
        WHERE summary.quarter_label = ?
        ORDER BY summary.bikes DESC, summary.change_key, summary.change_kind
        """,
        quarter,
    )


def gains_in_quarter(reader: Reader, quarter: str) -> pl.DataFrame:
    """Return each gain that was measured in a quarter, with the pulls behind it."""
    return _rows(
        reader,
        """
        SELECT
            gain.change_kind, gain.change_key, gain.change_label, gain.bike_id, gain.job_id,
            stage.model_label, gain.run_on, gain.mean_gain_pct, gain.mean_gain_lower_pct,
            gain.mean_gain_upper_pct, gain.verdict, gain.is_pooled, gain.unlike_reason,
            gain.pulls_before, gain.pulls_after, gain.before_stage_id, gain.after_stage_id,
            CASE WHEN before.job_id = stage.job_id THEN '' ELSE before.job_id || ' ' END
            || before.stage_name || ' → ' || stage.stage_name AS stages_named
        FROM out.gain AS gain
        INNER JOIN out.stage AS stage ON gain.after_stage_id = stage.stage_id
        INNER JOIN out.stage AS before ON gain.before_stage_id = before.stage_id
        WHERE stage.quarter_label = ?
        ORDER BY gain.change_key, gain.change_kind, gain.run_on, gain.gain_id
        """,
        quarter,
    )


def comebacks(reader: Reader, quarter: str) -> pl.DataFrame:
    """Return the bikes that came back on the build they had left with."""
    return _rows(
        reader,
        """
        SELECT
            back.received_on, back.bike_id, any_value(stage.model_label) AS model_label,
            back.job_id, back.earlier_job_id, back.days_between
        FROM out.comeback AS back
        LEFT JOIN out.stage AS stage USING (job_id)
        WHERE back.quarter_label = ?
        GROUP BY ALL
        ORDER BY back.received_on DESC, back.job_id
        """,
        quarter,
    )


def maps_off_target(reader: Reader, quarter: str) -> pl.DataFrame:
    """Return the stages on the shop's own maps that still run lean at warn or stop level."""
    return _rows(
        reader,
        """
        SELECT
            stage.map_label, stage.model_label, stage.parts_label, stage.bike_id, stage.job_id,
            stage.stage_name, mixture.level, mixture.worst_lean_error_pct,
            mixture.worst_speed_rpm, mixture.is_near_peak_torque
        FROM out.stage_mixture AS mixture
        INNER JOIN out.stage AS stage USING (stage_id)
        WHERE
            stage.quarter_label = ?
            AND stage.map_name <> 'stock'
            AND mixture.level IN ('warn', 'stop')
            AND NOT stage.is_control
        ORDER BY mixture.worst_lean_error_pct DESC, stage.stage_id
        """,
        quarter,
    )


_STAGE_LIST = """
    SELECT
        stage.received_on, stage.job_id, stage.bike_id, stage.model_label, stage.stage_no,
        stage.stage_name, stage.map_label, stage.fuel, stage.parts_label
    FROM out.stage AS stage
    WHERE stage.quarter_label = ? AND NOT stage.is_control
    ORDER BY stage.received_on, stage.job_id, stage.stage_no
"""

# The list behind each figure of out.quarter_figure, in files, pulls or stages.
_BEHIND = {
    "bikes": """
        SELECT
            stage.bike_id, any_value(stage.model_label) AS model_label,
            count(DISTINCT stage.job_id) AS jobs, count(*) AS stages,
            string_agg(DISTINCT stage.job_id, ', ' ORDER BY stage.job_id) AS job_ids
        FROM out.stage AS stage
        WHERE stage.quarter_label = ? AND NOT stage.is_control
        GROUP BY stage.bike_id
        ORDER BY stage.bike_id
    """,
    "jobs": _STAGE_LIST,
    "pulls": """
        SELECT
            stage.received_on, stage.job_id, stage.bike_id, stage.stage_name, pull.pull_no,
            pull.is_used, pull.peak_power_w, pull.reference_air, pull.trouble, pull.notes,
            pull.file_name, left(pull.file_sha256, 12) AS sha256_start
        FROM out.pull AS pull
        INNER JOIN out.stage AS stage USING (stage_id)
        WHERE stage.quarter_label = ?
        ORDER BY stage.received_on, stage.job_id, stage.stage_no, pull.pull_no
    """,
    "rides": """
        SELECT
            stage.received_on, stage.job_id, stage.bike_id, stage.stage_name, ride.duration_s,
            ride.steady_s, ride.in_band_share, ride.trouble, ride.file_name,
            left(ride.file_sha256, 12) AS sha256_start
        FROM out.ride AS ride
        INNER JOIN out.stage AS stage USING (stage_id)
        WHERE stage.quarter_label = ? AND ride.ride_id NOT IN (SELECT ride_id FROM out.same_ride)
        ORDER BY stage.received_on, stage.job_id, stage.stage_no, ride.file_name
    """,
    "control sessions": """
        SELECT
            session.run_on, session.job_id, session.bike_id, session.pulls, session.pulls_used,
            session.peak_power_w, session.reference_air, session.has_air_doubt, session.notes
        FROM out.session AS session
        INNER JOIN out.stage AS stage USING (stage_id)
        WHERE stage.quarter_label = ? AND stage.is_control
        ORDER BY session.run_on, session.job_id
    """,
    "files refused or waiting": """
        SELECT
            file.job_folder, file.file_name, file.state, file.reason, file.remedy,
            left(file.file_sha256, 12) AS sha256_start
        FROM out.file AS file
        WHERE
            file.state IN ('refused', 'waiting', 'missing')
            AND file.job_folder IN (
                SELECT stage.job_folder FROM out.stage AS stage WHERE stage.quarter_label = ?
            )
        ORDER BY file.job_folder, file.file_name
    """,
    "stages lean at warn or stop": """
        SELECT
            stage.received_on, stage.job_id, stage.bike_id, stage.model_label, stage.stage_name,
            stage.map_label, stage.parts_label, mixture.level, mixture.worst_lean_error_pct,
            mixture.worst_speed_rpm, mixture.is_near_peak_torque
        FROM out.stage_mixture AS mixture
        INNER JOIN out.stage AS stage USING (stage_id)
        WHERE
            stage.quarter_label = ?
            AND mixture.level IN ('warn', 'stop')
            AND NOT stage.is_control
        ORDER BY mixture.worst_lean_error_pct DESC, stage.stage_id
    """,
}


def behind_figure(reader: Reader, quarter: str, figure: str) -> pl.DataFrame:
    """Return the list behind one figure of a quarter."""
    if figure == "comebacks within 60 days":
        return comebacks(reader, quarter)
    return _rows(reader, _BEHIND.get(figure, _STAGE_LIST), quarter)


def column_meanings(reader: Reader) -> pl.DataFrame:
    """Return what every published column means and its unit."""
    return _rows(
        reader,
        "SELECT table_name, column_name, unit, meaning FROM out.column_meaning "
        "ORDER BY table_name, column_name",
    )


def shop_facts(reader: Reader) -> pl.DataFrame:
    """Return the settings that the figures were made with."""
    return _rows(reader, "SELECT fact, fact_value, meaning FROM out.shop_fact ORDER BY fact")


def first_bad_rows(reader: Reader, file_sha256s: tuple[str, ...]) -> pl.DataFrame:
    """Return the first rejected rows of some files, five of each."""
    return _rows(
        reader,
        """
        SELECT file_sha256, line_no, column_name, rule, found
        FROM out.rejected_row
        WHERE list_contains(?, file_sha256)
        QUALIFY row_number() OVER (
            PARTITION BY file_sha256
            ORDER BY line_no, column_name, rule
        ) <= 5
        ORDER BY list_position(?, file_sha256), line_no, column_name, rule
        """,
        list(file_sha256s),
        list(file_sha256s),
    )


def states_in_folders(reader: Reader, job_folders: tuple[str, ...]) -> pl.DataFrame:
    """Return where the files of some job folders stand."""
    return _rows(
        reader,
        "SELECT job_folder, file_name, state FROM out.file WHERE list_contains(?, job_folder)",
        list(job_folders),
    )


def files_of_folder(reader: Reader, job_folder: str, with_card: bool = False) -> pl.DataFrame:
    """Return the files of a job folder, those in need first, and what became of each."""
    return _rows(
        reader,
        """
        SELECT
            file_name, state, reason, remedy, layout, layout_kind, rows_kept, rows_rejected,
            coalesce(size_bytes, 0) AS size_bytes
        FROM out.file
        WHERE job_folder = ? AND (? OR file_name <> 'card.toml')
        ORDER BY
            coalesce(list_position(
                ['refused', 'missing', 'waiting', 'duplicate', 'taken in'], state
            ), 99),
            file_name
        """,
        job_folder,
        with_card,
    )


def folders_without_card(reader: Reader) -> pl.DataFrame:
    """Return the job folders that hold files and no card, latest first."""
    return _rows(
        reader,
        """
        SELECT job_folder, count(*) AS files, max(received_at) AS received_at
        FROM out.file
        WHERE state = 'waiting' AND reason_code = 'no card'
        GROUP BY job_folder
        ORDER BY received_at DESC, job_folder
        """,
    )


def cards(reader: Reader) -> pl.DataFrame:
    """Return the job folders with a card, those not in the book first, then the latest job."""
    return _rows(
        reader,
        """
        WITH job AS (
            SELECT DISTINCT job_folder, job_id, bike_id, model_label, received_on FROM out.stage
        )
        SELECT card.job_folder, job.job_id, job.bike_id, job.model_label, job.received_on
        FROM out.card AS card
        LEFT JOIN job USING (job_folder)
        WHERE card.is_current
        ORDER BY job.received_on DESC NULLS FIRST, job.job_id DESC, card.job_folder DESC
        """,
    )


def card_versions(reader: Reader, job_folder: str) -> pl.DataFrame:
    """Return every version of a folder's card that came in, latest first."""
    return _rows(
        reader,
        """
        SELECT received_at, job_id, is_in_force, is_current, file_sha256
        FROM out.card
        WHERE job_folder = ?
        ORDER BY received_at DESC, is_current DESC, file_sha256
        """,
        job_folder,
    )


def known_jobs(reader: Reader) -> pl.DataFrame:
    """Return the jobs in the book, latest first."""
    return _rows(
        reader,
        """
        SELECT
            job_id, any_value(job_folder) AS job_folder, any_value(bike_id) AS bike_id,
            any_value(model_label) AS model_label, any_value(received_on) AS received_on
        FROM out.stage
        GROUP BY job_id
        ORDER BY received_on DESC, job_id DESC
        """,
    )


def known_bikes(reader: Reader) -> pl.DataFrame:
    """Return the bikes in the book, the last one seen first."""
    return _rows(reader, "SELECT * FROM out.bike ORDER BY received_on DESC, job_id DESC, bike_id")


def known_parts(reader: Reader) -> pl.DataFrame:
    """Return the parts that cards name, those on most bikes first."""
    return _rows(reader, "SELECT * FROM out.part ORDER BY bikes DESC, category, maker, part_name")


def stage_setups(reader: Reader) -> pl.DataFrame:
    """Return how each stage was run, in the order of jobs."""
    return _rows(reader, "SELECT * FROM out.stage_setup ORDER BY job_id, stage_no")


def plans(reader: Reader) -> pl.DataFrame:
    """Return what comparisons of so many pulls could see, by how the bike is handled."""
    return _rows(
        reader,
        """
        SELECT is_put_back, is_strapped_once, pulls, smallest_detectable_pct, floor_pct
        FROM out.plan
        ORDER BY is_put_back, is_strapped_once DESC, pulls
        """,
    )


def remarks(reader: Reader) -> pl.DataFrame:
    """Return what speaks against files that were taken in, the gravest first, then the latest."""
    return _rows(
        reader,
        """
        WITH told AS (
            SELECT file_sha256, 1 AS place, 'in doubt' AS standing, reason AS remark, remedy
            FROM out.log_doubt
            UNION ALL
            SELECT file_sha256, 2, 'does not count', trouble, '' FROM out.pull WHERE trouble <> ''
            UNION ALL
            SELECT file_sha256, 2, 'does not count', trouble, '' FROM out.ride WHERE trouble <> ''
            UNION ALL
            SELECT file_sha256, 3, 'counts', unnest(string_split(notes, '; ')), '' FROM out.pull
            UNION ALL
            SELECT file_sha256, 3, 'counts', unnest(string_split(notes, '; ')), '' FROM out.ride
        )
        SELECT
            job_folder,
            count(DISTINCT file_name) AS files,
            min(file_name) AS file_name,
            standing,
            remark,
            told.remedy,
            max(received_at) AS received_at,
            count(*) OVER () AS found
        FROM told
        JOIN out.file USING (file_sha256)
        WHERE remark <> '' AND state = 'taken in'
        GROUP BY job_folder, place, standing, remark, told.remedy
        ORDER BY place, received_at DESC NULLS LAST, job_folder DESC, file_name, remark
        LIMIT 200
        """,
    )


def layout_gaps(reader: Reader) -> pl.DataFrame:
    """Return what layouts ask for and none of their last files had."""
    return _rows(
        reader,
        "SELECT layout, gap_kind, entry, files, last_received_at FROM out.layout_gap "
        "ORDER BY layout, gap_kind, entry",
    )


def untaught_files(reader: Reader) -> pl.DataFrame:
    """Return the files that wait for a layout, latest first."""
    return _rows(
        reader,
        """
        SELECT
            file_sha256,
            first(job_folder || ' / ' || file_name ORDER BY job_folder, file_name) AS label
        FROM out.file
        WHERE reason_code = 'layout not taught'
        GROUP BY file_sha256
        ORDER BY max(received_at) DESC, label
        """,
    )


def fuel_changes(reader: Reader) -> pl.DataFrame:
    """Return every stage with a suggested fuel change, the latest job first."""
    return _rows(
        reader,
        """
        SELECT
            change.*, stage.stage_name, stage.stage_no, stage.model_label, stage.parts_label,
            stage.map_label, stage.fuel, stage.received_on
        FROM out.fuel_change AS change
        INNER JOIN out.stage AS stage USING (stage_id)
        ORDER BY stage.received_on DESC, change.job_id DESC, stage.stage_no DESC
        """,
    )


def fuel_change_cells(reader: Reader, stage_id: str) -> pl.DataFrame:
    """Return the cells of a suggested fuel change."""
    return _rows(
        reader,
        "SELECT * FROM out.fuel_change_cell WHERE stage_id = ? ORDER BY throttle_pct, speed_rpm",
        stage_id,
    )


def suggestions_entered(reader: Reader) -> pl.DataFrame:
    """Return every stage that an entered suggestion stands before, and what that removed."""
    return _rows(
        reader,
        "SELECT stage_id, bike_id, removed_share FROM out.fuel_change_check "
        "WHERE is_suggestion ORDER BY stage_id",
    )


def fuel_change_checks(reader: Reader, job_id: str) -> pl.DataFrame:
    """Return how much of the error each change of the map in a job removed."""
    return _rows(
        reader,
        """
        SELECT checked.*, before.stage_name AS before_name, after.stage_name AS after_name
        FROM out.fuel_change_check AS checked
        INNER JOIN out.stage AS before ON checked.before_stage_id = before.stage_id
        INNER JOIN out.stage AS after ON checked.stage_id = after.stage_id
        WHERE after.job_id = ?
        ORDER BY after.stage_no
        """,
        job_id,
    )


def expected_mixtures(reader: Reader) -> pl.DataFrame:
    """Return what mixture to expect of each model and build, the stock map first."""
    return _rows(
        reader,
        "SELECT * FROM out.expected_mixture "
        "ORDER BY model_label, map_label <> 'stock', parts_key, map_label, expected_id",
    )


def expected_mixture_speed(reader: Reader, expected_id: str) -> pl.DataFrame:
    """Return the expected full-throttle lean error by engine speed."""
    return _rows(
        reader,
        """
        SELECT engine_speed_rpm, expected_error_pct AS error_pct, lower_pct, upper_pct, bikes
        FROM out.expected_mixture_speed WHERE expected_id = ? ORDER BY engine_speed_rpm
        """,
        expected_id,
    )


def expected_mixture_cells(reader: Reader, expected_id: str) -> pl.DataFrame:
    """Return the expected part-throttle lean error by cell."""
    return _rows(
        reader,
        """
        SELECT * FROM out.expected_mixture_cell WHERE expected_id = ?
        ORDER BY throttle_from_pct, speed_from_rpm
        """,
        expected_id,
    )


def expected_mixture_bikes(reader: Reader, expected_id: str) -> pl.DataFrame:
    """Return the stages behind an expected mixture, the leanest first."""
    return _members(reader, "out.expected_mixture_bike", "expected_id", expected_id)


def _members(reader: Reader, table: str, key: str, value: str) -> pl.DataFrame:
    return _rows(
        reader,
        f"""
        SELECT
            member.bike_id, member.job_id, stage.stage_name, stage.parts_key, stage.parts_label,
            stage.received_on, mixture.level, mixture.worst_lean_error_pct,
            mixture.worst_speed_rpm, member.stage_id
        FROM {table} AS member
        INNER JOIN out.stage AS stage USING (stage_id)
        LEFT JOIN out.stage_mixture AS mixture USING (stage_id)
        WHERE member.{key} = ?
        ORDER BY mixture.worst_lean_error_pct DESC, member.stage_id
        """,  # noqa: S608
        value,
    )


def map_revisions(reader: Reader) -> pl.DataFrame:
    """Return every map revision: those that miss, the newest ones first, by how far they miss."""
    return _rows(
        reader,
        """
        SELECT
            map.* EXCLUDE (made_from),
            ranked.* EXCLUDE (map_id),
            if(map.map_name = 'stock', map.parts_seen, map.map_label) AS named
        FROM out.map_revision AS map
        INNER JOIN out.map_revision_rank AS ranked USING (map_id)
        ORDER BY ranked.map_rank
        """,
    )


def map_revision_speed(reader: Reader, map_id: str) -> pl.DataFrame:
    """Return the mean full-throttle error of a map over its bikes, by engine speed."""
    return _rows(
        reader,
        """
        SELECT engine_speed_rpm, mean_error_pct AS error_pct, lower_pct, upper_pct, bikes
        FROM out.map_revision_speed WHERE map_id = ? ORDER BY engine_speed_rpm
        """,
        map_id,
    )


def map_revision_regions(reader: Reader, map_id: str) -> pl.DataFrame:
    """Return where a map misses its target."""
    return _rows(
        reader,
        "SELECT * FROM out.map_revision_region WHERE map_id = ? ORDER BY from_rpm, side",
        map_id,
    )


def map_revision_bikes(reader: Reader, map_id: str) -> pl.DataFrame:
    """Return the bikes that carry a map, the leanest first."""
    return _members(reader, "out.map_revision_bike", "map_id", map_id)
