-- question latest_pull: the pull whose file came last, and the one to hold it against.
--
-- Grain:  one row: the pull before of the same stage, else the one before of the same bike.
-- Takes:  $held_rpm: over how much speed a lean error must be held.
-- Nulls:  started_at without a clock; the pull before of a bike's first; the worst error where the
--         pull shows no mixture over $held_rpm; the trouble of a pull that counts.
WITH came AS (
    SELECT
        pull.pull_id,
        pull.file_name,
        pull.pull_no,
        pull.trouble,
        pull.is_used,
        pull.set_aside IS NOT NULL AS is_set_aside,
        pull.started_at,
        pull.peak_power_w,
        pull.peak_power_speed_rpm,
        coalesce(session.is_corrected, FALSE) AS is_corrected,
        pull.mixture_from_rpm,
        stage.stage_id,
        stage.job_id,
        stage.bike_id,
        stage.stage_name,
        stage.stage_no,
        stage.received_on,
        stage.model_label,
        stage.map_label,
        file.received_at
    FROM out.pull AS pull
    INNER JOIN out.stage AS stage ON pull.stage_id = stage.stage_id
    INNER JOIN out.file AS file
        ON pull.file_sha256 = file.file_sha256 AND file.state = 'taken in'
    LEFT JOIN out.session AS session ON pull.stage_id = session.stage_id
),

latest AS (
    SELECT *
    FROM came
    ORDER BY
        received_at DESC,
        received_on DESC,
        job_id DESC,
        stage_no DESC,
        pull_no DESC
    LIMIT 1
),

before AS (
    SELECT other.pull_id
    FROM came AS other
    INNER JOIN latest
        ON
            other.bike_id = latest.bike_id
            AND (other.received_on, other.job_id, other.stage_no, other.pull_no)
            < (latest.received_on, latest.job_id, latest.stage_no, latest.pull_no)
    WHERE other.peak_power_w IS NOT NULL AND other.is_used
    ORDER BY
        other.received_on DESC,
        other.job_id DESC,
        other.stage_no DESC,
        other.pull_no DESC
    LIMIT 1
),

error AS (
    SELECT
        curve.engine_speed_rpm,
        100 * (curve.lambda_wide / session.lambda_target - 1) AS error_pct
    FROM latest
    INNER JOIN out.pull_curve AS curve ON latest.pull_id = curve.pull_id
    INNER JOIN out.session_curve AS session
        ON
            latest.stage_id = session.stage_id
            AND curve.engine_speed_rpm = session.engine_speed_rpm
    WHERE
        curve.lambda_wide IS NOT NULL
        AND session.lambda_target IS NOT NULL
        AND curve.engine_speed_rpm >= coalesce(latest.mixture_from_rpm, 0)
),

held AS (
    SELECT
        engine_speed_rpm + $held_rpm / 2 AS middle_rpm,
        min(error_pct) OVER ahead AS held_pct,
        max(engine_speed_rpm) OVER ahead - engine_speed_rpm AS width_rpm
    FROM error
    WINDOW ahead AS (
        ORDER BY engine_speed_rpm
        RANGE BETWEEN CURRENT ROW AND $held_rpm FOLLOWING
    )
),

worst AS (
    SELECT
        held_pct AS worst_lean_error_pct,
        middle_rpm AS worst_speed_rpm
    FROM held
    WHERE width_rpm >= $held_rpm
    ORDER BY held_pct DESC, middle_rpm ASC
    LIMIT 1
)

SELECT
    latest.*,
    before.pull_id AS before_pull_id,
    other.stage_name AS before_stage_name,
    other.pull_no AS before_pull_no,
    other.peak_power_w AS before_peak_power_w,
    worst.worst_lean_error_pct,
    worst.worst_speed_rpm
FROM latest
LEFT JOIN before ON TRUE
LEFT JOIN came AS other ON before.pull_id = other.pull_id
LEFT JOIN worst ON TRUE;
