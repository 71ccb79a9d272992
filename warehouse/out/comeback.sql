-- out.comeback: bikes that came back within 60 days on the build they had left with.
--
-- Grain:  one row per job_id that is a comeback.
-- Reads:  out.stage
-- Nulls:  none; the control bike, which comes back on purpose, is left out.
CREATE OR REPLACE VIEW out.comeback AS
WITH ends AS (
    SELECT
        job_id,
        bike_id,
        received_on,
        quarter_label,
        arg_min(build_id, stage_no) AS first_build_id,
        arg_max(build_id, stage_no) AS last_build_id
    FROM out.stage
    WHERE NOT is_control
    GROUP BY job_id, bike_id, received_on, quarter_label
)

SELECT
    later.job_id,
    later.bike_id,
    later.quarter_label,
    later.received_on,
    earlier.job_id AS earlier_job_id,
    date_diff('day', earlier.received_on, later.received_on) AS days_between
FROM ends AS later
INNER JOIN ends AS earlier
    ON
        later.bike_id = earlier.bike_id
        AND later.first_build_id = earlier.last_build_id
        AND date_diff('day', earlier.received_on, later.received_on) BETWEEN 1 AND 60
QUALIFY row_number() OVER (
    PARTITION BY later.job_id
    ORDER BY earlier.received_on DESC, earlier.job_id ASC
) = 1;
