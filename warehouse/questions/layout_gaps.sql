-- question layout_gaps: what layouts ask for and none of their last files had.
--
-- Grain:  one row per entry of a layout.
-- Takes:  nothing.
SELECT
    layout,
    gap_kind,
    entry,
    files,
    last_received_at
FROM out.layout_gap
ORDER BY layout, gap_kind, entry;
