-- How nodes stood up to $as_of, by their reports from $first on: last report, and means since then.
-- Returns node_no, time of the last report [s since 1970 UTC], its storage_v [V], mean storage_v [V], mean temp_c [degC].
SELECT node_no, epoch_ms(max(observed_at)) / 1000.0, arg_max(storage_v, observed_at), avg(storage_v), avg(temp_c)
FROM report_log WHERE observed_at BETWEEN $first AND $as_of GROUP BY node_no
