-- out.layout_gap: what layouts ask for and their last files do not give, and what nobody stated.
--
-- Grain:  one row per layout, gap_kind and entry.
-- Reads:  raw.reading, raw.arrival, core.pull, core.ride, out.ride
-- Nulls:  none; instead is '' where the files have nothing like it. A head entry is told from the
--         first file on where none of the last 5 had it; a column from the third, of the last 20,
--         for a bike may lack a sensor. A stated delay of 0.1 s, which drafts once put in, is told
--         where three rides of the same equipment say otherwise: their middle is more than 0.05 s
--         off, and two of three are within 0.05 s of it (a chance peak falls anywhere).
CREATE OR REPLACE VIEW out.layout_gap AS
WITH came AS (
    SELECT
        file_sha256,
        max(received_at) AS received_at
    FROM raw.arrival
    GROUP BY file_sha256
),

latest AS (
    SELECT
        reading.layout,
        reading.facts,
        came.received_at,
        row_number() OVER (
            PARTITION BY reading.layout ORDER BY came.received_at DESC, reading.file_sha256 ASC
        ) AS latest_no,
        count(*) OVER (PARTITION BY reading.layout) AS all_files
    FROM raw.reading AS reading
    INNER JOIN came ON reading.file_sha256 = came.file_sha256
    WHERE reading.state = 'read'
    QUALIFY latest_no <= 20
),

told AS (
    SELECT
        layout,
        received_at,
        latest_no,
        all_files,
        unnest(from_json(
            facts -> 'gaps', '[{"gap_kind": "VARCHAR", "entry": "VARCHAR", "instead": "VARCHAR"}]'
        )) AS gap
    FROM latest
),

asked AS (
    SELECT
        layout,
        received_at,
        latest_no,
        all_files,
        struct_extract(gap, 'gap_kind') AS gap_kind,
        struct_extract(gap, 'entry') AS entry,
        struct_extract(gap, 'instead') AS instead
    FROM told
),

lacking AS (
    SELECT
        layout,
        gap_kind,
        entry,
        arg_min(instead, latest_no) AS instead,
        least(all_files, if(gap_kind = 'column', 20, 5)) AS files,
        max(received_at) AS last_received_at
    FROM asked
    WHERE gap_kind = 'column' OR latest_no <= 5
    GROUP BY layout, gap_kind, entry, all_files
    HAVING count(*) = files AND files >= if(gap_kind = 'column', 3, 1)
),

ridden AS (
    SELECT
        log.equipment,
        log.probe_place,
        ride.delay_by_log_s,
        median(ride.delay_by_log_s) OVER (
            PARTITION BY log.equipment, log.probe_place
        ) AS by_logs_s
    FROM core.ride AS log
    INNER JOIN out.ride AS ride ON log.ride_id = ride.ride_id
    WHERE ride.delay_by_log_s IS NOT NULL AND log.probe_place IS NOT NULL
),

delayed AS (
    SELECT
        equipment,
        probe_place,
        by_logs_s,
        count(*) AS rides
    FROM ridden
    GROUP BY equipment, probe_place, by_logs_s
    HAVING
        rides >= 3
        AND avg(if(abs(delay_by_log_s - by_logs_s) <= 0.05, 1.0, 0.0)) >= 2 / 3
        AND abs(by_logs_s - 0.1) > 0.05
),

logs AS (
    SELECT
        layout,
        equipment,
        probe_place,
        probe_delay_s,
        is_delay_assumed
    FROM core.ride
    UNION ALL
    SELECT
        layout,
        equipment,
        probe_place,
        probe_delay_s,
        is_delay_assumed
    FROM core.pull
),

stated AS (
    SELECT DISTINCT
        layout,
        equipment,
        probe_place
    FROM logs
    WHERE probe_delay_s = 0.1 AND NOT coalesce(is_delay_assumed, FALSE)
)

SELECT
    layout,
    gap_kind,
    entry,
    instead,
    files,
    last_received_at
FROM lacking
UNION ALL
SELECT
    stated.layout,
    'delay' AS gap_kind,
    'delay_s = 0.1' AS entry,
    printf('%.2f s', delayed.by_logs_s) AS instead,
    delayed.rides AS files,
    (
        SELECT max(latest.received_at) FROM latest
        WHERE latest.layout = stated.layout)
        AS last_received_at
FROM stated
INNER JOIN delayed
    ON stated.equipment = delayed.equipment AND stated.probe_place = delayed.probe_place;
