-- The last report before $first of each of the nodes $silent (node_no), where it has one: not before its last ledger day.
-- Returns node_no, its time [s since 1970 UTC] and storage_v [V].
WITH ends AS (
    SELECT s.node_no, coalesce(max(d.day) - 1, DATE '1970-01-01') AS day
    FROM (SELECT unnest($silent) AS node_no) s LEFT JOIN day_sums d ON s.node_no = d.node_no AND d.day <= $first
    GROUP BY s.node_no)
SELECT node_no, epoch_ms(max(observed_at)) / 1000.0, arg_max(storage_v, observed_at)
FROM report_log r JOIN ends USING (node_no)
WHERE observed_at < $first::TIMESTAMP_MS AND observed_at >= ends.day
GROUP BY node_no
