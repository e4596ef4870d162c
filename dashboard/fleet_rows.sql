-- One row for each node in service: its last report, its latest analysis, and the means of its recent ledger.
-- Parameters: $window_days, the days of ledger up to the node's analysis that the means take in.
-- Units stand in the column names; whatever has not been reported or analysed yet is empty.
WITH newest AS (
    SELECT node_no, max(observed_at) AS observed_at FROM report_log GROUP BY node_no
), last_report AS (  -- joining back is several times faster than arg_max over the whole history
    SELECT node_no, observed_at, storage_v FROM report_log JOIN newest USING (node_no, observed_at)
), outlook AS (
    SELECT * FROM forecast QUALIFY row_number() OVER (PARTITION BY node_id ORDER BY as_of DESC) = 1
), replaced AS (  -- of a storage that came after the last report nothing is known
    SELECT v.node_id, max(v.visited_at) AS replaced_at FROM visits v JOIN outlook o USING (node_id)
    WHERE v.work = 'storage-replaced' AND v.visited_at <= o.as_of AT TIME ZONE 'UTC' GROUP BY v.node_id
), ahead AS (
    SELECT p.* FROM prospects p JOIN outlook o ON o.node_id = p.node_id AND o.as_of = p.as_of
), verdicts AS (
    SELECT node_id, verdict FROM health QUALIFY row_number() OVER (PARTITION BY node_id ORDER BY as_of DESC) = 1
), worn AS (  -- the first limit that a storage reaches
    SELECT e.node_id, min(e.by_p10)::TIMESTAMP AS worn_p10
    FROM end_of_life e JOIN outlook o ON o.node_id = e.node_id AND o.as_of = e.as_of
    GROUP BY e.node_id
), named AS (  -- a finding counts while the node's latest analysis still names it
    SELECT f.node_id,
           list({finding: f.finding, probability: f.probability, evidence: f.evidence}
                ORDER BY f.probability DESC, f.finding) AS causes,
           bool_or(f.finding = 'dark') AS found_dark, bool_or(f.finding = 'silent-charged') AS found_charged
    FROM findings f JOIN outlook o ON o.node_id = f.node_id AND o.as_of = f.as_of
    GROUP BY f.node_id
), silence AS (
    SELECT node_id, site FROM alarms WHERE kind = 'silent' AND cleared_at IS NULL
), lines AS (
    SELECT node_id,
           any_value(budget) FILTER (line = 'net_harvest_w') AS net_harvest_budget_w,
           any_value(budget) FILTER (line = 'wake_energy_j') AS wake_budget_j,
           any_value(budget) FILTER (line = 'sleep_power_w') AS sleep_budget_w
    FROM (FROM estimates QUALIFY rank() OVER (PARTITION BY node_id ORDER BY as_of DESC) = 1)
    GROUP BY node_id
), booked AS (
    SELECT l.node_id, sum(l.net_harvest_j) / nullif(sum(l.observed_s), 0) AS net_harvest_w,
           sum(l.wake_j + l.sleep_j) / nullif(sum(l.observed_s), 0) AS load_w, sum(l.full_s) > 0 AS lower_bound
    FROM ledger l JOIN outlook o USING (node_id)
    WHERE l.day > (o.as_of AT TIME ZONE 'UTC')::DATE - $window_days::INTEGER
    GROUP BY l.node_id
)
SELECT n.node_id, n.site, n.budget, n.note, r.observed_at::TIMESTAMP AT TIME ZONE 'UTC' AS observed_at,
       CASE WHEN r.observed_at >= s.replaced_at OR s.replaced_at IS NULL THEN r.storage_v END AS storage_v,
       o.as_of, o.p_dark_30d, o.days_p10, o.days_p50, o.days_p90, o.autonomy_days, o.balance_w, a.full_v, a.harvest_w,
       a.full_autonomy_days, a.visit_by_02_days, a.visit_by_05_days, a.visit_by_days, a.visit_by_20_days, a.visit_by_30_days,
       a.back_p50_days, a.wake_interval_s, a.driver, v.verdict, w.worn_p10, f.causes,
       coalesce(f.found_dark, false) AS found_dark, coalesce(f.found_charged, false) AS found_charged,
       (n.node_id IN (SELECT node_id FROM silence WHERE node_id IS NOT NULL)
        OR (n.site IN (SELECT site FROM silence WHERE node_id IS NULL)  -- which stands for its nodes never heard from,
            AND r.observed_at IS NULL AND o.as_of IS NOT NULL)  -- whose commissioning has come
        OR coalesce(a.silent_s > 0 AND r.observed_at::TIMESTAMP AT TIME ZONE 'UTC' <= a.as_of, false)
       ) AS not_heard,
       e.net_harvest_budget_w, e.wake_budget_j, e.sleep_budget_w, b.net_harvest_w, b.load_w,
       coalesce(b.lower_bound, false) AS harvest_lower_bound  -- at full for part of the time: harvest was curtailed
FROM nodes n
LEFT JOIN last_report r USING (node_no)
LEFT JOIN outlook o USING (node_id)
LEFT JOIN ahead a USING (node_id)
LEFT JOIN replaced s USING (node_id)
LEFT JOIN verdicts v USING (node_id)
LEFT JOIN worn w USING (node_id)
LEFT JOIN named f USING (node_id)
LEFT JOIN lines e USING (node_id)
LEFT JOIN booked b USING (node_id)
WHERE NOT n.retired
ORDER BY o.days_p10 NULLS LAST, o.days_p50 NULLS LAST, o.p_dark_30d DESC NULLS LAST, n.node_id
