-- Takes out of `judged` the readings without a clock that the broker sent again and that are stored already, or stand
-- before in the batch: the same node, counter and values. Only a time of their own could tell two such readings apart.
-- Parameter: $since [UTC], when the broker may have sent them first; stored readings without a clock are those whose
-- time of observation is that of arrival.
DELETE FROM judged
WHERE clockless AND redelivered AND reason IS NULL AND (
    EXISTS (
        SELECT 1 FROM report_log r
        WHERE r.observed_at >= $since AND r.node_no = judged.node_no AND r.observed_at = r.received_at
          AND r.wakes = judged.wakes AND r.storage_v = judged.storage_v
          AND r.loaded_v IS NOT DISTINCT FROM judged.loaded_v AND r.temp_c IS NOT DISTINCT FROM judged.temp_c
          AND r.boot IS NOT DISTINCT FROM judged.boot
    ) OR EXISTS (
        SELECT 1 FROM judged b
        WHERE b.clockless AND b.reason IS NULL AND b.seq < judged.seq AND b.node_no = judged.node_no
          AND b.wakes = judged.wakes AND b.storage_v = judged.storage_v
          AND b.loaded_v IS NOT DISTINCT FROM judged.loaded_v AND b.temp_c IS NOT DISTINCT FROM judged.temp_c
          AND b.boot IS NOT DISTINCT FROM judged.boot
    )
)
