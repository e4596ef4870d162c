-- Storage voltage of one node, thinned so that dips and peaks stay: the lowest and the highest report of each bucket.
-- Parameters: $node_id; $start and $end, the span (UTC); $bucket_ms, the bucket's width [ms].
-- At most two rows a bucket, in order of time: observed_at (UTC), storage_v [V].
WITH bucketed AS (
    SELECT observed_at, storage_v, (epoch_ms(observed_at) - epoch_ms($start::TIMESTAMPTZ)) // $bucket_ms AS bucket
    FROM reports
    WHERE node_id = $node_id AND observed_at >= $start::TIMESTAMPTZ AND observed_at <= $end::TIMESTAMPTZ
), extremes AS (
    SELECT unnest([arg_min(observed_at, storage_v), arg_max(observed_at, storage_v)]) AS observed_at,
           unnest([min(storage_v), max(storage_v)]) AS storage_v
    FROM bucketed GROUP BY bucket
)
SELECT DISTINCT observed_at, storage_v FROM extremes ORDER BY observed_at
