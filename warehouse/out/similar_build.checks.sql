-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: no_build_is_its_own_likeness (fail)
-- The list is of other bikes: a bike is always most like itself.
SELECT
    pair.stage_id,
    pair.likeness_rank
FROM out.similar_build AS pair
INNER JOIN out.stage AS stage ON pair.stage_id = stage.stage_id
WHERE pair.other_bike_id = stage.bike_id;

-- check: likeness_falls_with_rank (fail)
-- Rank 1 is the most alike, and a share lies between 0 and 1.
SELECT
    stage_id,
    likeness_rank
FROM (
    SELECT
        stage_id,
        likeness_rank,
        similarity_share,
        row_number() OVER ranked AS place,
        lag(similarity_share) OVER ranked AS nearer
    FROM out.similar_build
    WINDOW ranked AS (PARTITION BY stage_id ORDER BY likeness_rank)
) AS ranked_build
WHERE
    likeness_rank <> place
    OR similarity_share > nearer + 1e-9
    OR similarity_share NOT BETWEEN 0 AND 1;

-- check: every_likeness_leads_home (fail)
-- The stage that is held up as alike must be there to be looked at.
SELECT
    pair.stage_id,
    pair.other_stage_id
FROM out.similar_build AS pair
ANTI JOIN out.stage AS stage ON pair.other_stage_id = stage.stage_id;
