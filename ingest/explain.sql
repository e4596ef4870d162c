-- Says of each refused reading of `judged` what was wrong, with the values of the view `batch` it was judged by.
-- Parameters: those of judge.sql.
-- Times are told as dates, but for such as no calendar has; what was not reported is left out.
-- Returns received_at, topic, reason, detail, the reading as a JSON report, node_id, alone.
WITH dated AS (
    SELECT seq, list_transform(
        [coalesce(observed_at, received_at), received_at, commissioned_s],
        lambda s: CASE WHEN abs(s) < 2e11 THEN strftime(make_timestamp_ms(round(s * 1000)::BIGINT), '%Y-%m-%d %H:%M:%S UTC')
                       ELSE format('{} s since 1970', s) END) AS at
    FROM batch SEMI JOIN (SELECT seq FROM judged WHERE reason IS NOT NULL) USING (seq)
)
SELECT j.received_at, b.topic, j.reason,
    CASE j.reason
        WHEN 'unknown-node' THEN format('node {} is not in the fleet; add it to nodes.csv and load the folder', b.node_id)
        WHEN 'wrong-topic' THEN format('node {} belongs to site {}', b.node_id, b.site)
        WHEN 'missing-field' THEN
            CASE WHEN b.storage_v IS NULL THEN 'storage_v is missing or not a number'
                 ELSE 'wakes is missing or not a whole number' END
        WHEN 'not-finite' THEN
            concat(format('storage_v {}', b.storage_v), format(', loaded_v {}', b.loaded_v), format(', temp_c {}', b.temp_c),
                   ': a value is not finite')
        WHEN 'voltage-out-of-range' THEN
            concat(format('storage_v {} V', b.storage_v), format(', loaded_v {} V', b.loaded_v),
                   format('; expected 0 to {} V', round(b.voltage_max, 3)))
        WHEN 'temperature-out-of-range' THEN
            format('temp_c {} degC; expected {} to {} degC', b.temp_c, $temp_min, $temp_max)
        WHEN 'count-out-of-range' THEN
            concat(format('wakes {}', b.wakes), format(', boot {}', b.boot), format('; expected 0 to {}', $count_max))
        WHEN 'time-in-future' THEN
            format('observed {}, but arrived {}; a clock may run ahead by {} s', d.at[1], d.at[2], $lead_s)
        WHEN 'before-commissioning' THEN
            format('observed {}, before commissioning {}', d.at[1], d.at[3])
        WHEN 'too-late' THEN 'of a day that cannot be computed anew: reports as old as that are no longer kept'
    END AS detail,
    to_json({'t': b.observed_at, 'storage_v': b.storage_v, 'wakes': b.wakes, 'loaded_v': b.loaded_v,
             'temp_c': b.temp_c, 'boot': b.boot})::VARCHAR AS payload,
    coalesce(b.node_id, '') AS node_id, b.alone
FROM batch b JOIN judged j USING (seq) JOIN dated d USING (seq) WHERE j.reason IS NOT NULL
