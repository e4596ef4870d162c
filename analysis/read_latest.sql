-- The last report of each node up to $as_of. Returns node_no, time [s since 1970 UTC], storage_v [V].
SELECT node_no, epoch_ms(max(observed_at)) / 1000.0, arg_max(storage_v, observed_at)
FROM report_log WHERE observed_at <= $as_of GROUP BY node_no
