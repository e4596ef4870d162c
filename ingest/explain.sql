-- Says of each refused reading of `judged` what was wrong, with the values of the view `batch` it was judged by.
-- Parameters: those of judge.sql.
-- Returns received_at, topic, reason, detail, the reading as a JSON report, node_id, alone.
SELECT j.received_at, b.topic, j.reason,
    CASE j.reason
        WHEN 'unknown-node' THEN format('node {} is not in the fleet; add it to nodes.csv and load the folder', b.node_id)
        WHEN 'wrong-topic' THEN format('node {} belongs to site {}', b.node_id, b.site)
        WHEN 'missing-field' THEN
            CASE WHEN b.storage_v IS NULL THEN 'storage_v is missing or not a number'
                 ELSE 'wakes is missing or not a whole number' END
        WHEN 'not-finite' THEN format('storage_v {}, loaded_v {}, temp_c {}: a value is not finite',
                                      b.storage_v, coalesce(b.loaded_v, 0), coalesce(b.temp_c, 0))
        WHEN 'voltage-out-of-range' THEN format('storage_v {} V, loaded_v {} V; expected 0 to {} V',
                                                b.storage_v, coalesce(b.loaded_v, 0), round(b.voltage_max, 3))
        WHEN 'temperature-out-of-range' THEN
            format('temp_c {} degC; expected {} to {} degC', b.temp_c, $temp_min, $temp_max)
        WHEN 'count-out-of-range' THEN
            format('wakes {}, boot {}; expected 0 to {}', b.wakes, coalesce(b.boot, 0), $count_max)
        WHEN 'time-in-future' THEN
            format('observed {} s after it arrived, allowed {} s', round(b.observed_at - b.received_at), $lead_s)
        WHEN 'before-commissioning' THEN format('observed {} s before commissioning',
                                                round(b.commissioned_s - coalesce(b.observed_at, b.received_at)))
        WHEN 'too-late' THEN 'of a day that cannot be computed anew: reports as old as that are no longer kept'
    END AS detail,
    to_json({'t': b.observed_at, 'storage_v': b.storage_v, 'wakes': b.wakes, 'loaded_v': b.loaded_v,
             'temp_c': b.temp_c, 'boot': b.boot})::VARCHAR AS payload,
    coalesce(b.node_id, '') AS node_id, b.alone
FROM batch b JOIN judged j USING (seq) WHERE j.reason IS NOT NULL
