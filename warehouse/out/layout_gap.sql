-- out.layout_gap: what a layout asks for that none of its last ten files had.
--
-- Grain:  one row per layout, gap_kind and entry.
-- Reads:  raw.reading, raw.arrival
-- Nulls:  none. A head entry is told from the first file on, a column from the third: a bike may
--         lack a sensor.
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
        count(*) OVER (PARTITION BY reading.layout) AS files
    FROM raw.reading AS reading
    INNER JOIN came ON reading.file_sha256 = came.file_sha256
    WHERE reading.state = 'read'
    QUALIFY
        row_number() OVER (
            PARTITION BY reading.layout ORDER BY came.received_at DESC, reading.file_sha256 ASC
        ) <= 10
),

lacking AS (
    SELECT
        layout,
        received_at,
        least(files, 10) AS files,
        'head entry' AS gap_kind,
        unnest(from_json(facts -> 'lacking_head', '["VARCHAR"]')) AS entry
    FROM latest
    UNION ALL
    SELECT
        layout,
        received_at,
        least(files, 10) AS files,
        'column' AS gap_kind,
        unnest(from_json(facts -> 'lacking_columns', '["VARCHAR"]')) AS entry
    FROM latest
)

SELECT
    layout,
    gap_kind,
    entry,
    files,
    max(received_at) AS last_received_at
FROM lacking
GROUP BY layout, gap_kind, entry, files
HAVING count(*) = files AND files >= if(gap_kind = 'column', 3, 1);
