-- Reports of all nodes observed from $first to $last, as they are stored, nearly in order of time.
-- Returns node_no, millis [ms since 1970 UTC], storage_v [V], wakes, temp_c [degC; NaN: not reported].
SELECT node_no, epoch_ms(observed_at) AS millis, storage_v, wakes, coalesce(temp_c, 'NaN'::DOUBLE) AS temp_c
FROM report_log WHERE observed_at BETWEEN $first::TIMESTAMP_MS AND $last::TIMESTAMP_MS
