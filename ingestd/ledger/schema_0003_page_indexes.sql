-- What the live page asks for, found without reading a whole table.

CREATE INDEX captures_by_source ON captures (source, id);

-- Entries by people; the service's own, which are nearly all, are left out.
CREATE INDEX journal_by_people ON journal (idx)
  WHERE instr(body, x'226279223a22696e676573746422') = 0; -- "by":"ingestd"

DROP INDEX results_by_state;
CREATE INDEX results_by_state ON results (state, at);
CREATE INDEX results_by_analyte ON results (analyte, at);
CREATE INDEX results_proposed ON results (id) WHERE proposed IS NOT NULL;
