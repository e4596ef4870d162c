-- Judges a batch of readings: when each was observed, and why it is refused, if it is.
-- Reads the view `batch`: the columns of contract.REPORT_BATCH, seq (the place in the batch) and of the reading's node
-- node_no, site, commissioned_s and voltage_max (null: not in the fleet). Times in seconds since 1970 UTC.
-- Parameters: $lead_s how far a node's clock may run ahead [s], $temp_min and $temp_max [degC], $count_max.
-- Returns seq, node_no, observed_at, received_at, the values, `clockless` (the time of arrival is used), claimed_s (the
-- time that a lost clock gave, else null), redelivered, reason (null: admitted).
-- The note `open_from` is the first day that may still be computed anew, if reports of older days were dropped.
-- A lost clock is one that gives a time before commissioning or in the future. A report that came alone was made when it
-- came, so the time of arrival stands in; of several in one message nobody knows when they were made: refused.
WITH timed AS (
    SELECT *,
           coalesce(alone AND isfinite(observed_at)
                    AND (observed_at > received_at + $lead_s OR observed_at < commissioned_s), false) AS lost,
           CASE WHEN observed_at IS NULL OR lost THEN received_at ELSE observed_at END AS at_s
    FROM batch
), judged AS (
    SELECT *, CASE
        WHEN node_no IS NULL THEN 'unknown-node'
        WHEN topic IS NOT NULL AND NOT ends_with(topic, '/' || site || '/' || node_id) THEN 'wrong-topic'
        WHEN storage_v IS NULL OR wakes IS NULL THEN 'missing-field'
        WHEN NOT isfinite(storage_v) OR NOT isfinite(coalesce(loaded_v, 0)) OR NOT isfinite(coalesce(temp_c, 0))
             OR NOT isfinite(at_s) THEN 'not-finite'
        WHEN storage_v NOT BETWEEN 0 AND voltage_max
             OR coalesce(loaded_v, 0) NOT BETWEEN 0 AND voltage_max THEN 'voltage-out-of-range'
        WHEN coalesce(temp_c, 20) NOT BETWEEN $temp_min AND $temp_max THEN 'temperature-out-of-range'
        WHEN wakes NOT BETWEEN 0 AND $count_max OR coalesce(boot, 0) NOT BETWEEN 0 AND $count_max
             THEN 'count-out-of-range'
        WHEN at_s > received_at + $lead_s THEN 'time-in-future'
        WHEN at_s < commissioned_s THEN 'before-commissioning'
        WHEN at_s < (SELECT epoch(value::TIMESTAMP) FROM meta WHERE key = 'open_from') THEN 'too-late'
    END AS reason
    FROM timed
)
SELECT seq, node_no,
    CASE WHEN reason IS NULL THEN make_timestamp_ms(round(at_s * 1000)::BIGINT)::TIMESTAMP_MS END AS observed_at,
    make_timestamp_ms(round(received_at * 1000)::BIGINT)::TIMESTAMP_MS AS received_at,
    storage_v, wakes, loaded_v, temp_c, boot, observed_at IS NULL OR lost AS clockless,
    CASE WHEN reason IS NULL AND lost THEN observed_at END AS claimed_s, redelivered, reason
FROM judged
