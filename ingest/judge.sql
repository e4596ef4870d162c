-- Judges a batch of readings: which node each belongs to, when it was observed, and why it is refused, if it is.
-- Reads the view `batch` (columns of contract.REPORT_BATCH, and seq, the place in the batch; times in
-- seconds since 1970 UTC).
-- Parameters: $lead_s how far a node's clock may run ahead [s], $temp_min and $temp_max [degC], $count_max.
-- Returns seq, node_no, observed_at, received_at, the values, `clockless` (the time of arrival is used), claimed_s (the time
-- that a lost clock gave, else null) [s since 1970 UTC], redelivered, reason (null: admitted); and of refused readings
-- detail, node_id, topic, alone and the reading itself as a JSON report.
-- A lost clock is one that gives a time before commissioning or in the future. A report that came alone was made when it
-- came, so the time of arrival stands in; of several in one message nobody knows when they were made: refused.
WITH known AS (
    SELECT b.*, n.node_no, n.site, n.commissioned_s, n.voltage_max,
           b.alone AND isfinite(b.observed_at)
           AND (b.observed_at > b.received_at + $lead_s OR b.observed_at < n.commissioned_s) AS lost,
           CASE WHEN b.observed_at IS NULL OR lost THEN b.received_at ELSE b.observed_at END AS at_s
    FROM batch b LEFT JOIN (
        SELECT node_no, node_id, site, epoch_ms(commissioned) / 1000 AS commissioned_s, voltage_max
        FROM nodes WHERE NOT retired
    ) n ON n.node_id = b.node_id
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
    END AS reason
    FROM known
)
SELECT seq, node_no,
    CASE WHEN reason IS NULL THEN make_timestamp_ms(round(at_s * 1000)::BIGINT)::TIMESTAMP_MS END AS observed_at,
    make_timestamp_ms(round(received_at * 1000)::BIGINT)::TIMESTAMP_MS AS received_at,
    storage_v, wakes, loaded_v, temp_c, boot,
    observed_at IS NULL OR lost AS clockless, CASE WHEN reason IS NULL AND lost THEN observed_at END AS claimed_s, redelivered, reason,
    CASE reason
        WHEN 'unknown-node' THEN format('node {} is not in the fleet; add it to nodes.csv and load the folder', node_id)
        WHEN 'wrong-topic' THEN format('node {} belongs to site {}', node_id, site)
        WHEN 'missing-field' THEN
            CASE WHEN storage_v IS NULL THEN 'storage_v is missing or not a number'
                 ELSE 'wakes is missing or not a whole number' END
        WHEN 'not-finite' THEN format('storage_v {}, loaded_v {}, temp_c {}: a value is not finite',
                                      storage_v, coalesce(loaded_v, 0), coalesce(temp_c, 0))
        WHEN 'voltage-out-of-range' THEN format('storage_v {} V, loaded_v {} V; expected 0 to {} V',
                                                storage_v, coalesce(loaded_v, 0), round(voltage_max, 3))
        WHEN 'temperature-out-of-range' THEN format('temp_c {} degC; expected {} to {} degC', temp_c, $temp_min, $temp_max)
        WHEN 'count-out-of-range' THEN format('wakes {}, boot {}; expected 0 to {}', wakes, coalesce(boot, 0), $count_max)
        WHEN 'time-in-future' THEN format('observed {} s after it arrived', round(at_s - received_at))
        WHEN 'before-commissioning' THEN format('observed {} s before commissioning', round(commissioned_s - at_s))
    END AS detail,
    CASE WHEN reason IS NOT NULL THEN coalesce(node_id, '') END AS node_id,
    CASE WHEN reason IS NOT NULL THEN topic END AS topic,
    CASE WHEN reason IS NOT NULL THEN alone END AS alone,
    CASE WHEN reason IS NOT NULL THEN to_json({
        't': observed_at, 'storage_v': storage_v, 'wakes': wakes, 'loaded_v': loaded_v, 'temp_c': temp_c, 'boot': boot
    })::VARCHAR END AS payload
FROM judged
