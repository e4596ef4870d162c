-- The last report before $first of each node that is not among $heard (node_no).
-- Returns node_no, its time [s since 1970 UTC] and storage_v [V], and two empty columns as in read_state.sql.
SELECT node_no, epoch_ms(max(observed_at)) / 1000.0, arg_max(storage_v, observed_at), NULL, NULL
FROM report_log
WHERE observed_at < $first AND node_no IN (SELECT node_no FROM nodes WHERE node_no NOT IN (SELECT unnest($heard)))
GROUP BY node_no
