-- Reports of nodes observed from $first to $last, for the kernels; as they are stored, nearly in order of time: to sort them
-- here would take longer than all else, and a join would lose the order. Who wants few of many nodes says which (run_days).
-- Parameters: $first and $last, times; $low and $high, bounds of node_no that let the scan skip row groups.
-- Returns node_no, time [s since 1970 UTC], storage_v [V], wakes, loaded_v [V], temp_c [degC], boot (-1: not reported).
SELECT r.node_no, epoch_ms(r.observed_at) / 1000.0 AS time, r.storage_v, r.wakes, r.loaded_v, r.temp_c,
       coalesce(r.boot, -1) AS boot
FROM report_log r
WHERE r.observed_at BETWEEN $first::TIMESTAMP_MS AND $last::TIMESTAMP_MS AND r.node_no BETWEEN $low AND $high
