-- Adds new nodes with the next free numbers and updates known ones. Reads the view `new_nodes`.
-- A row is updated in place only where something differs (DuckDB re-inserts updated rows of indexed tables).
INSERT INTO nodes (node_no, node_id, site, budget, commissioned, latitude, longitude, note, voltage_max, report_interval_s)
SELECT coalesce(o.node_no, (SELECT coalesce(max(node_no), 0) FROM nodes) + row_number() OVER (ORDER BY o.node_no IS NULL DESC, n.node_id)),
       n.node_id, n.site, n.budget, n.commissioned, n.latitude, n.longitude, n.note, n.voltage_max, n.report_interval_s
FROM new_nodes n LEFT JOIN nodes o USING (node_id)
ON CONFLICT (node_no) DO UPDATE SET site = excluded.site, budget = excluded.budget, commissioned = excluded.commissioned,
    latitude = excluded.latitude, longitude = excluded.longitude, note = excluded.note,
    voltage_max = excluded.voltage_max, report_interval_s = excluded.report_interval_s
