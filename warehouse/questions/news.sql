-- question news: what is worth telling up to a day, the latest first, of one day the weightiest.
--
-- Grain:  one row per news_id.
-- Takes:  $day.
SELECT
    news_id,
    news_kind,
    gravity,
    certainty,
    size_pct,
    news_on,
    is_over,
    page_address,
    page_query,
    told AS sentence,
    rests_on
FROM out.news
WHERE news_on <= $day
ORDER BY
    news_on DESC,
    list_position(['act', 'look', 'know'], gravity) ASC,
    size_pct DESC NULLS LAST,
    news_id ASC;
