-- The latest estimate of every budget line of every node in service.
-- No parameters. Units stand in the line's name.
SELECT n.node_id, n.site, n.budget AS budget_name, e.line, e.budget, e.budget_sd, e.estimate, e.sd, e.separable
FROM estimates e JOIN nodes n USING (node_id)
WHERE NOT n.retired
QUALIFY rank() OVER (PARTITION BY e.node_id ORDER BY e.as_of DESC) = 1
ORDER BY n.node_id, e.line
