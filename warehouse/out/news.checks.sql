-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: each_piece_of_news_has_its_day_and_is_told_once (fail)
-- The key keeps a piece of news from being told as new twice; without the day of its evidence
-- nobody can say when it was new.
SELECT news_id
FROM out.news
GROUP BY news_id
HAVING count(*) > 1 OR bool_or(news_on IS NULL);
