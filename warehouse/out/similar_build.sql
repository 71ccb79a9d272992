-- out.similar_build: for each stage, the builds on other bikes that are most like it, with reasons.
--
-- Grain:  one row per stage_id and likeness_rank.
-- Writes: flows/steps/alike.py
-- Units:  similarity_share: of all that counts, weighted, what is known to agree [1];
--         unknown_share: what is not known of one of the two, and so agrees in nothing [1].
CREATE TABLE IF NOT EXISTS out.similar_build (
    stage_id VARCHAR NOT NULL,
    likeness_rank BIGINT NOT NULL,
    other_stage_id VARCHAR NOT NULL,
    other_job_id VARCHAR NOT NULL,
    other_bike_id VARCHAR NOT NULL,
    similarity_share DOUBLE NOT NULL,
    unknown_share DOUBLE NOT NULL,
    matches VARCHAR NOT NULL,
    differs VARCHAR NOT NULL,
    not_known VARCHAR NOT NULL,
    ended_on VARCHAR NOT NULL,
    gained VARCHAR NOT NULL,
    went_wrong VARCHAR NOT NULL,
    PRIMARY KEY (stage_id, likeness_rank)
);
