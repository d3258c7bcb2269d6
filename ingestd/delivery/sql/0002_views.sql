-- What stands now. Everything is joined and grouped by site first, so each part of a database
-- spread by site answers for its own sites.

CREATE VIEW ingestd.standing_now WITH (security_invoker = true) AS
SELECT DISTINCT ON (site, result, version)
  site, result, version, standing, replaces, replaced_by, reason, actor, at, entry
FROM ingestd.standings
ORDER BY site, result, version, entry DESC;

CREATE VIEW ingestd.released_results WITH (security_invoker = true) AS
SELECT r.site, r.result, r.version, r.run, r.method, r.sample, r.point, r.analyte, r.fraction,
  r.basis, r.sampled_at, r.verdict, r.text, r.value, r.censored, r.unit, r.uncertainty, r.repeats,
  s.replaces, s.reason, s.actor AS released_by, s.at AS released_at, r.entry
FROM ingestd.results r
JOIN ingestd.standing_now s
  ON s.site = r.site AND s.result = r.result AND s.version = r.version
WHERE s.standing = 'released';

-- The one released result of a sample and analyte, or the one a reviewer chose among several.
CREATE VIEW ingestd.reported_values WITH (security_invoker = true) AS
WITH chosen AS (
  SELECT DISTINCT ON (site, sample, analyte, fraction, basis)
    site, sample, analyte, fraction, basis, result
  FROM ingestd.reported
  ORDER BY site, sample, analyte, fraction, basis, entry DESC
), counted AS (
  SELECT r.*,
    count(*) OVER same AS alternatives,
    bool_or(c.result = r.result) OVER same AS has_choice,
    coalesce(c.result = r.result, false) AS is_choice
  FROM ingestd.released_results r
  LEFT JOIN chosen c
    ON c.site = r.site AND c.sample = r.sample AND c.analyte = r.analyte
    AND c.fraction = r.fraction AND c.basis = r.basis
  WINDOW same AS (PARTITION BY r.site, r.sample, r.analyte, r.fraction, r.basis)
)
SELECT site, result, version, run, method, sample, point, analyte, fraction, basis, sampled_at,
  verdict, text, value, censored, unit, uncertainty, repeats, replaces, reason, released_by,
  released_at, entry
FROM counted
WHERE is_choice OR (alternatives = 1 AND has_choice IS NOT TRUE);

GRANT SELECT ON ingestd.standing_now, ingestd.released_results, ingestd.reported_values
  TO ingestd_writer, ingestd_reader;
