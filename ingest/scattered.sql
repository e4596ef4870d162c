-- UTC days whose reports lie in more places of `report_log` than they need: they were stored late or out of order.
-- Parameters: $group_rows, rows of a row group, and $spare, places more than needed that are let pass.
-- Returns day and the number of its reports.
SELECT observed_at::DATE AS day, count(*) AS reports
FROM report_log GROUP BY day
HAVING count(DISTINCT rowid // $group_rows) > count(*) // $group_rows + $spare
ORDER BY day
