-- The stretches of consecutive UTC days that the admitted readings of the temporary table `judged` fall into.
-- Returns first and last observed_at of each stretch.
WITH days AS (
    SELECT observed_at::DATE AS day, min(observed_at) AS first, max(observed_at) AS last
    FROM judged WHERE reason IS NULL GROUP BY ALL
), numbered AS (
    SELECT *, day - row_number() OVER (ORDER BY day)::INTEGER AS stretch FROM days
)
SELECT min(first), max(last) FROM numbered GROUP BY stretch ORDER BY 1
