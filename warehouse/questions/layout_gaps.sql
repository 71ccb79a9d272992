-- question layout_gaps: what layouts ask for and their last files do not give, and what in them
-- nobody stated.
--
-- Grain:  one row per entry of a layout, problems first.
-- Takes:  nothing.
WITH told AS (
    SELECT
        layout,
        gap_kind,
        entry,
        last_received_at,
        CASE gap_kind
            WHEN 'head entry'
                THEN
                    json_object(
                        'code', 'head entry in vain', 'layout', layout, 'entry', entry,
                        'instead', instead, 'files', files
                    )
            WHEN 'column'
                THEN
                    json_object(
                        'code', 'column in vain', 'layout', layout, 'entry', entry, 'files', files
                    )
            WHEN 'assumed'
                THEN
                    json_object(
                        'code', 'assumed in layout', 'layout', layout, 'entry', entry
                    )
            WHEN 'delay'
                THEN
                    json_object(
                        'code', 'drafted delay', 'layout', layout, 'entry', entry,
                        'instead', instead, 'files', files
                    )
            ELSE json_object(
                'code', 'head entry left out', 'layout', layout, 'entry', entry,
                'why', gap_kind, 'instead', instead, 'files', files
            )
        END::VARCHAR AS sentence
    FROM out.layout_gap
)

SELECT
    layout,
    sentence,
    sentence AS remedy,
    last_received_at,
    gap_kind NOT IN ('assumed', 'delay') AS is_problem
FROM told
ORDER BY is_problem DESC, layout ASC, gap_kind ASC, entry ASC;
