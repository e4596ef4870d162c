-- Stores the admitted readings of `judged` observed in one stretch of time, leaving out those the store already has.
-- Parameters: $first and $last, bounds of observed_at, which let the scan of the history skip every row group outside
-- the stretch: the cost does not grow with the history as long as that lies in order of time.
INSERT INTO report_log
SELECT node_no, observed_at, received_at, storage_v, wakes, loaded_v, temp_c, boot
FROM judged j
WHERE reason IS NULL AND observed_at BETWEEN $first AND $last AND NOT EXISTS (
    SELECT 1 FROM report_log r
    WHERE r.observed_at BETWEEN $first AND $last AND r.node_no = j.node_no AND r.observed_at = j.observed_at
)
ORDER BY observed_at, node_no
