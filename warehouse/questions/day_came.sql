-- question day_came: what was run and what came in since a day, and on the last day on the dyno.
--
-- Grain:  one row; last_on is empty where nothing was run yet.
-- Takes:  $day, up to which it looks; $since, from which on; $since_at and $until_at, the instants
--         between which these days lie on the shop's clock.
WITH run AS (
    SELECT
        run_on,
        bike_id,
        job_id,
        pulls,
        max(run_on) OVER () AS last_on
    FROM out.session
    WHERE run_on <= $day
),

files AS (
    SELECT
        count(*) FILTER (received_at >= $since_at) AS files_since,
        max(received_at) AS last_received_at
    FROM out.file
    WHERE received_at < $until_at
)

SELECT
    max(run.last_on) AS last_on,
    count(DISTINCT run.bike_id) FILTER (run.run_on >= $since) AS bikes_since,
    count(DISTINCT run.job_id) FILTER (run.run_on >= $since) AS jobs_since,
    coalesce(sum(run.pulls) FILTER (run.run_on >= $since), 0)::BIGINT AS pulls_since,
    count(DISTINCT run.bike_id) FILTER (run.run_on = run.last_on) AS bikes_last,
    count(DISTINCT run.job_id) FILTER (run.run_on = run.last_on) AS jobs_last,
    coalesce(sum(run.pulls) FILTER (run.run_on = run.last_on), 0)::BIGINT AS pulls_last,
    any_value(files.files_since) AS files_since,
    any_value(files.last_received_at) AS last_received_at
FROM files
LEFT JOIN run ON TRUE;
