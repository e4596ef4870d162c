-- The last report before $first of each of the nodes $silent (node_no), where it has one.
-- Returns node_no, its time [s since 1970 UTC] and storage_v [V].
SELECT node_no, epoch_ms(max(observed_at)) / 1000.0, arg_max(storage_v, observed_at)
FROM report_log
WHERE observed_at < $first AND node_no IN (SELECT unnest($silent))
GROUP BY node_no
