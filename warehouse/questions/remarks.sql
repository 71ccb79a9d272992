-- question remarks: what speaks against files that were taken in, the gravest first, then the
-- latest.
--
-- Grain:  one row per job_folder and remark, at most 200; found counts all of them.
-- Takes:  nothing.
WITH
sources AS (
    SELECT
        file_sha256,
        trouble,
        notes
    FROM out.pull
    UNION ALL
    SELECT
        file_sha256,
        trouble,
        notes
    FROM out.ride
),

told AS (
    SELECT
        file_sha256,
        1 AS place,
        'in doubt' AS standing,
        reason AS remark
    FROM out.log_doubt
    UNION ALL
    SELECT
        file_sha256,
        2 AS place,
        'does not count' AS standing,
        trouble AS remark
    FROM sources
    UNION ALL
    SELECT
        file_sha256,
        3 AS place,
        'counts' AS standing,
        unnest(from_json(notes, '["VARCHAR"]')) AS remark
    FROM sources
)

SELECT
    file.job_folder,
    count(DISTINCT file.file_name) AS files,
    min(file.file_name) AS file_name,
    told.standing,
    told.remark,
    if(told.place = 1, told.remark, NULL) AS remedy,
    max(file.received_at) AS received_at,
    count(*) OVER () AS found
FROM told
INNER JOIN out.file AS file USING (file_sha256)
WHERE told.remark IS NOT NULL AND file.state = 'taken in'
GROUP BY file.job_folder, told.place, told.standing, told.remark
ORDER BY
    told.place ASC,
    max(file.received_at) DESC NULLS LAST,
    file.job_folder DESC,
    min(file.file_name) ASC,
    told.remark ASC
LIMIT 200;
