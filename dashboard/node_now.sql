-- What one node said last and what its latest analysis says of it: one row, or none for a node the fleet does not have.
-- Parameters: $node_id; $window_days, the days of ledger up to the analysis that wakes and harvest are judged by.
-- Units stand in the column names; whatever is not there yet is empty.
WITH outlook AS (
    FROM forecast WHERE node_id = $node_id ORDER BY as_of DESC LIMIT 1
), ahead AS (
    FROM prospects WHERE node_id = $node_id ORDER BY as_of DESC LIMIT 1
), replaced AS (  -- of a storage that came after the last report nothing is known
    SELECT max(visited_at) AS replaced_at FROM visits
    WHERE node_id = $node_id AND work = 'storage-replaced'
      AND visited_at <= (SELECT as_of AT TIME ZONE 'UTC' FROM outlook)
), condition AS (
    FROM health WHERE node_id = $node_id ORDER BY as_of DESC LIMIT 1
), last_report AS (
    FROM reports WHERE node_id = $node_id ORDER BY observed_at DESC LIMIT 1
), booked AS (
    SELECT 86400 * sum(wakes) / nullif(sum(observed_s), 0) AS wakes_per_day, sum(full_s) > 0 AS lower_bound
    FROM ledger
    WHERE node_id = $node_id AND day > (SELECT as_of AT TIME ZONE 'UTC' FROM outlook)::DATE - $window_days::INTEGER
)
SELECT n.node_id, r.observed_at, r.wakes, r.boot,
       coalesce(r.observed_at AT TIME ZONE 'UTC' < s.replaced_at, false) AS replaced_since,
       CASE WHEN NOT replaced_since THEN r.storage_v END AS storage_v,
       CASE WHEN NOT replaced_since THEN r.loaded_v END AS loaded_v,
       o.as_of, o.p_dark_7d, o.p_dark_30d, o.p_dark_90d, o.days_p10, o.days_p50, o.days_p90, o.autonomy_days, o.balance_w,
       a.visit_by_days, a.low_day, a.low_usable_j, a.back_p10_days, a.back_p50_days, a.back_p90_days, a.wake_interval_s,
       a.driver, a.harvest_w, a.harvest_sd_w, a.full_autonomy_days, a.full_v, a.silent_s,
       a.saves_below, a.saves_factor,
       h.verdict, h.capacity_ratio, h.capacity_sd, h.esr_ratio, h.esr_sd, h.leakage_ratio, h.leakage_sd, h.fade_per_year, h.fade_sd,
       b.wakes_per_day, coalesce(b.lower_bound, false) AS harvest_lower_bound
FROM nodes n
LEFT JOIN last_report r USING (node_id)
LEFT JOIN outlook o USING (node_id)
LEFT JOIN ahead a USING (node_id)
LEFT JOIN condition h USING (node_id)
CROSS JOIN booked b
CROSS JOIN replaced s
WHERE n.node_id = $node_id
