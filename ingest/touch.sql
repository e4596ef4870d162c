-- Notes the nodes and UTC days of the admitted readings of `judged` in one stretch, for the analysis to take up.
-- Parameters: $first and $last, bounds of observed_at.
INSERT INTO touched
SELECT DISTINCT node_no, observed_at::DATE FROM judged WHERE reason IS NULL AND observed_at BETWEEN $first AND $last
EXCEPT SELECT node_no, day FROM touched WHERE day BETWEEN $first::DATE AND $last::DATE
