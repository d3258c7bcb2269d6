-- Results of many sites in one place. Every key begins with the site; tables that grow are
-- partitioned by the month of the journal entry a row comes from, so one site's month is one
-- small, contiguous piece. Rows are only ever added: what changes is said by a later row.

CREATE SCHEMA ingestd;

DO $$
BEGIN
  IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = 'ingestd_writer') THEN
    CREATE ROLE ingestd_writer NOLOGIN;
  END IF;
  IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = 'ingestd_reader') THEN
    CREATE ROLE ingestd_reader NOLOGIN;
  END IF;
END
$$;

CREATE TABLE ingestd.schema_steps (
  number integer PRIMARY KEY,
  name text NOT NULL,
  sha256 text NOT NULL,
  writers_from integer NOT NULL,  -- programs that know only older steps must not write any more
  applied_at timestamptz NOT NULL DEFAULT now()
);

CREATE TABLE ingestd.sites (
  site text PRIMARY KEY,
  writer text NOT NULL UNIQUE,    -- the login role that may write for it
  public_key text NOT NULL,       -- of its checkpoints; '' if nobody has brought it yet
  admitted_at timestamptz NOT NULL DEFAULT now()
);

CREATE TABLE ingestd.cursors (
  site text PRIMARY KEY,
  next_index bigint NOT NULL,     -- every journal entry below is here
  nodes bytea NOT NULL,           -- frontier of the site's journal at that size
  moved_at timestamptz NOT NULL DEFAULT now()
);

CREATE TABLE ingestd.journal (
  site text NOT NULL, month date NOT NULL,
  entry bigint NOT NULL,
  at timestamptz NOT NULL,
  kind text NOT NULL,
  body bytea NOT NULL,            -- exactly as hashed at the site
  PRIMARY KEY (site, entry, month)
) PARTITION BY RANGE (month);

CREATE TABLE ingestd.checkpoints (
  site text NOT NULL, month date NOT NULL,
  size bigint NOT NULL,
  root bytea NOT NULL,
  note text NOT NULL,             -- signed
  PRIMARY KEY (site, size, month)
) PARTITION BY RANGE (month);

CREATE TABLE ingestd.captures (
  site text NOT NULL, month date NOT NULL,
  entry bigint NOT NULL,
  capture bigint NOT NULL,
  kind text NOT NULL,
  source text NOT NULL,
  name text NOT NULL,
  arrived_at timestamptz NOT NULL,
  size bigint NOT NULL,
  sha256 text NOT NULL,
  continues bigint,
  PRIMARY KEY (site, entry, month)
) PARTITION BY RANGE (month);

CREATE TABLE ingestd.samples (
  site text NOT NULL, month date NOT NULL,
  entry bigint NOT NULL,
  sample text NOT NULL,
  version integer NOT NULL,
  point text NOT NULL,
  matrix text NOT NULL,
  sampled_at timestamptz,
  preserved_at timestamptz,
  preservation text NOT NULL,
  chloride_mg_l numeric,
  PRIMARY KEY (site, entry, month)
) PARTITION BY RANGE (month);
CREATE INDEX samples_by_sample ON ingestd.samples (site, sample);

CREATE TABLE ingestd.runs (
  site text NOT NULL, month date NOT NULL,
  entry bigint NOT NULL,
  run text NOT NULL,
  version integer NOT NULL,
  method text NOT NULL,
  day date NOT NULL,
  started_at timestamptz NOT NULL,
  instrument text NOT NULL,
  analyst text NOT NULL,
  tubes integer NOT NULL,
  PRIMARY KEY (site, entry, month)
) PARTITION BY RANGE (month);
CREATE INDEX runs_by_run ON ingestd.runs (site, run);

CREATE TABLE ingestd.readings (
  site text NOT NULL, month date NOT NULL,
  entry bigint NOT NULL,
  reading bigint NOT NULL,
  capture bigint NOT NULL,
  source text NOT NULL,
  instrument text NOT NULL,
  method text,
  sample text,                    -- as printed
  raw text NOT NULL,
  value numeric,
  censored text NOT NULL,
  unit text,
  basis text,
  measured_at timestamptz NOT NULL,
  arrived_at timestamptz NOT NULL,
  time_note text NOT NULL,
  absorbance numeric,
  dilution numeric,
  dilution_applied boolean,
  conflict boolean NOT NULL,
  form text NOT NULL,
  PRIMARY KEY (site, entry, month)
) PARTITION BY RANGE (month);

-- Where a reading was put, or why it waits or no longer counts; the newest row of a reading holds.
CREATE TABLE ingestd.placements (
  site text NOT NULL, month date NOT NULL,
  entry bigint NOT NULL,
  reading bigint NOT NULL,
  what text NOT NULL CHECK (what IN ('placed', 'waits', 'retired')),
  run text,
  position integer,
  reason text NOT NULL,
  actor text NOT NULL,
  PRIMARY KEY (site, entry, month)
) PARTITION BY RANGE (month);
CREATE INDEX placements_by_reading ON ingestd.placements (site, reading, entry);

-- One row a version of a result, from its first decision on.
CREATE TABLE ingestd.results (
  site text NOT NULL, month date NOT NULL,
  result bigint NOT NULL,
  version integer NOT NULL,
  entry bigint NOT NULL,          -- the journal entry that holds the whole judgement
  run text NOT NULL,
  method text NOT NULL,
  sample text NOT NULL,
  point text NOT NULL,
  analyte text NOT NULL,
  fraction text NOT NULL,
  basis text NOT NULL,
  sampled_at timestamptz NOT NULL,
  verdict text NOT NULL,
  text text NOT NULL,
  value numeric,
  censored text NOT NULL,
  unit text NOT NULL,
  uncertainty numeric,
  repeats text NOT NULL,
  cause text NOT NULL,
  made_at timestamptz NOT NULL,
  PRIMARY KEY (site, result, version, month)
) PARTITION BY RANGE (month);
CREATE INDEX results_by_sample ON ingestd.results (site, sample);
CREATE INDEX results_by_point ON ingestd.results (site, point, analyte, sampled_at);

CREATE TABLE ingestd.findings (
  site text NOT NULL, month date NOT NULL,
  result bigint NOT NULL,
  version integer NOT NULL,
  ordinal integer NOT NULL,       -- most severe first
  rule text NOT NULL,
  rule_version integer NOT NULL,
  verdict text NOT NULL,
  position integer,
  observed text NOT NULL,
  limit_text text NOT NULL,
  sentence text NOT NULL,
  PRIMARY KEY (site, result, version, ordinal, month)
) PARTITION BY RANGE (month);

-- What was decided on a version; the newest row of a version holds.
CREATE TABLE ingestd.standings (
  site text NOT NULL, month date NOT NULL,
  result bigint NOT NULL,
  version integer NOT NULL,
  entry bigint NOT NULL,
  standing text NOT NULL CHECK (standing IN ('released', 'withdrawn', 'superseded')),
  replaces integer,
  replaced_by integer,
  reason text NOT NULL,
  actor text NOT NULL,
  at timestamptz NOT NULL,
  PRIMARY KEY (site, result, version, entry, month)
) PARTITION BY RANGE (month);
CREATE INDEX standings_by_entry ON ingestd.standings (site, entry);

-- Which of several released results a reviewer chose; the newest row of a sample and analyte holds.
CREATE TABLE ingestd.reported (
  site text NOT NULL, month date NOT NULL,
  entry bigint NOT NULL,
  sample text NOT NULL,
  analyte text NOT NULL,
  fraction text NOT NULL,
  basis text NOT NULL,
  result bigint NOT NULL,
  reason text NOT NULL,
  actor text NOT NULL,
  at timestamptz NOT NULL,
  PRIMARY KEY (site, entry, month)
) PARTITION BY RANGE (month);
CREATE INDEX reported_by_sample ON ingestd.reported (site, sample);

-- Partitions are made as tables of their own and then attached: attaching does not stop those
-- who insert into other months meanwhile.
CREATE FUNCTION ingestd.make_months(wanted date[]) RETURNS integer
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
DECLARE
  first date;
  parent text;
  part text;
  made integer := 0;
BEGIN
  IF cardinality(wanted) > 60 THEN
    RAISE EXCEPTION 'at most 60 months at a time, asked for %', cardinality(wanted);
  END IF;
  PERFORM pg_advisory_xact_lock(hashtext('ingestd.make_months'));
  FOR first IN SELECT DISTINCT date_trunc('month', d)::date FROM unnest(wanted) d ORDER BY 1 LOOP
    FOR parent IN
      SELECT c.relname FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace
      WHERE n.nspname = 'ingestd' AND c.relkind = 'p' ORDER BY c.relname
    LOOP
      part := parent || to_char(first, '"_y"YYYY"m"MM');
      CONTINUE WHEN to_regclass(format('ingestd.%I', part)) IS NOT NULL;
      EXECUTE format('CREATE TABLE ingestd.%I (LIKE ingestd.%I INCLUDING ALL)', part, parent);
      EXECUTE format(
        'ALTER TABLE ingestd.%I ATTACH PARTITION ingestd.%I FOR VALUES FROM (%L) TO (%L)',
        parent, part, first, (first + interval '1 month')::date);
      made := made + 1;
    END LOOP;
  END LOOP;
  RETURN made;
END
$$;

CREATE FUNCTION ingestd.own_site() RETURNS text
LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
  SELECT site FROM ingestd.sites WHERE writer = session_user
$$;

CREATE FUNCTION ingestd.refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
  RAISE EXCEPTION '% is only added to: a correction is a later row', TG_TABLE_NAME
    USING ERRCODE = 'restrict_violation';
END
$$;

CREATE FUNCTION ingestd.only_forward() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
  IF NEW.site <> OLD.site OR NEW.next_index < OLD.next_index THEN
    RAISE EXCEPTION 'a cursor only moves forward: % at %, asked for %',
      OLD.site, OLD.next_index, NEW.next_index USING ERRCODE = 'restrict_violation';
  END IF;
  NEW.moved_at := now();
  RETURN NEW;
END
$$;
CREATE TRIGGER only_forward BEFORE UPDATE ON ingestd.cursors
FOR EACH ROW EXECUTE FUNCTION ingestd.only_forward();

-- Rights: a site's writer adds rows of its own site and sees no other; a reader reads all sites.
GRANT USAGE ON SCHEMA ingestd TO ingestd_writer, ingestd_reader;
DO $$
DECLARE
  name text;
BEGIN
  FOR name IN
    SELECT c.relname FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace
    WHERE n.nspname = 'ingestd' AND c.relkind IN ('r', 'p') AND c.relname <> 'schema_steps'
  LOOP
    EXECUTE format('ALTER TABLE ingestd.%I ENABLE ROW LEVEL SECURITY', name);
    EXECUTE format('CREATE POLICY reads_all ON ingestd.%I FOR SELECT TO ingestd_reader USING (true)', name);
    EXECUTE format('CREATE POLICY reads_own ON ingestd.%I FOR SELECT TO ingestd_writer'
      ' USING (site = (SELECT ingestd.own_site()))', name);
    EXECUTE format('GRANT SELECT ON ingestd.%I TO ingestd_writer, ingestd_reader', name);
    CONTINUE WHEN name IN ('sites', 'cursors');
    EXECUTE format('CREATE POLICY adds_own ON ingestd.%I FOR INSERT TO ingestd_writer'
      ' WITH CHECK (site = (SELECT ingestd.own_site()))', name);
    EXECUTE format('GRANT INSERT ON ingestd.%I TO ingestd_writer', name);
    EXECUTE format('CREATE TRIGGER only_added BEFORE UPDATE OR DELETE ON ingestd.%I'
      ' FOR EACH ROW EXECUTE FUNCTION ingestd.refuse_change()', name);
    EXECUTE format('CREATE TRIGGER not_emptied BEFORE TRUNCATE ON ingestd.%I'
      ' FOR EACH STATEMENT EXECUTE FUNCTION ingestd.refuse_change()', name);
  END LOOP;
END
$$;
CREATE POLICY moves_own ON ingestd.cursors FOR UPDATE TO ingestd_writer
  USING (site = (SELECT ingestd.own_site())) WITH CHECK (site = (SELECT ingestd.own_site()));
GRANT UPDATE (next_index, nodes, moved_at) ON ingestd.cursors TO ingestd_writer;
GRANT SELECT ON ingestd.schema_steps TO ingestd_writer, ingestd_reader;
REVOKE ALL ON FUNCTION ingestd.make_months(date[]), ingestd.own_site() FROM PUBLIC;
GRANT EXECUTE ON FUNCTION ingestd.make_months(date[]), ingestd.own_site() TO ingestd_writer;
