-- name: open_in_order
-- Runs on an instrument, begun in the period, that are neither complete nor closed, oldest first.
SELECT name
FROM runs
WHERE instrument = :instrument AND started_at BETWEEN :since AND :until
  AND complete = 0 AND closed = 0
ORDER BY started_at, name
