-- How the nodes stood up to $as_of: last report, and means of the four weeks up to it.
-- Returns node_no, time of the last report [s since 1970 UTC], its storage_v [V], mean storage_v [V], mean temp_c [degC].
WITH recent AS (
    SELECT node_no, max(observed_at) AS last, avg(storage_v) AS mean_v, avg(temp_c) AS mean_c
    FROM report_log WHERE observed_at BETWEEN $as_of - INTERVAL 28 DAYS AND $as_of GROUP BY node_no
), ever AS (
    SELECT node_no, max(observed_at) AS at, arg_max(storage_v, observed_at) AS storage_v
    FROM report_log WHERE observed_at <= $as_of GROUP BY node_no
)
SELECT e.node_no, epoch_ms(e.at) / 1000.0, e.storage_v, r.mean_v, r.mean_c FROM ever e LEFT JOIN recent r USING (node_no)
