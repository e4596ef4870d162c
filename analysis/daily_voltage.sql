-- Mean storage voltage of each node and UTC day, for the slope that past forecasts are held against.
-- Returns node_no, day, storage_v [V].
SELECT node_no, observed_at::DATE AS day, avg(storage_v) AS storage_v FROM report_log GROUP BY ALL
