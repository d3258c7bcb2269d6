"""The centre compared with a site's own tables, row by row, each side by its own SQL."""

from decimal import Decimal

import orjson

from ingestd.times import instant
from tests.ingestd.delivery.conftest import Site


def number(text: object) -> Decimal | None:
    return None if text is None else Decimal(str(text))


def moment(text: object) -> object:
    return None if text is None else instant(str(text))


def assert_centre_equals(site: Site) -> None:
    """Every table of the centre holds what the site's ledger holds of it, and nothing else."""
    for of_centre, of_site in (
        (standings_there(site), standings_here(site)),
        (results_there(site), results_here(site)),
        (findings_there(site), findings_here(site)),
        (readings_there(site), readings_here(site)),
        (placements_there(site), placements_here(site)),
        (captures_there(site), captures_here(site)),
        (runs_there(site), runs_here(site)),
        (samples_there(site), samples_here(site)),
        (journal_there(site), journal_here(site)[: len(journal_there(site))]),
    ):
        assert of_centre == of_site
        assert of_centre, "nothing was compared"


def _there(site: Site, query: str) -> list[tuple[object, ...]]:
    return site.centre.ask(f"{query} WHERE site = %s ORDER BY 1, 2, 3", site.name)


def standings_there(site: Site) -> list[tuple[object, ...]]:
    return _there(
        site,
        "SELECT entry, result, version, standing, replaces, replaced_by, at"
        " FROM ingestd.standings",
    )


def standings_here(site: Site) -> list[tuple[object, ...]]:
    rows = site.lab.ledger.conn.execute(
        "SELECT entry, result, version, standing, replaces, replaced_by, at FROM outbox"
        " ORDER BY entry, result, version"
    )
    return [(*row[:6], moment(row[6])) for row in rows]


def results_there(site: Site) -> list[tuple[object, ...]]:
    return _there(
        site,
        "SELECT result, version, entry, run, method, sample, point, analyte, fraction, basis,"
        " verdict, text, value, censored, unit, uncertainty, cause, made_at FROM ingestd.results",
    )


def results_here(site: Site) -> list[tuple[object, ...]]:
    rows = site.lab.ledger.conn.execute(
        "SELECT v.result, v.version, v.entry, r.run, r.method, r.sample, r.point, r.analyte,"
        " r.fraction, r.basis, v.verdict, v.text, v.value, v.censored, v.unit, v.uncertainty,"
        " v.cause, v.made_at FROM result_versions v JOIN results r ON r.id = v.result"
        " WHERE v.standing <> '' ORDER BY 1, 2"
    )
    return [
        (*row[:12], number(row[12]), row[13], row[14], number(row[15]), row[16], moment(row[17]))
        for row in rows
    ]


def findings_there(site: Site) -> list[tuple[object, ...]]:
    return _there(
        site,
        "SELECT result, version, ordinal, rule, verdict, observed, limit_text, sentence"
        " FROM ingestd.findings",
    )


def findings_here(site: Site) -> list[tuple[object, ...]]:
    found: list[tuple[object, ...]] = []
    for result, version, text in site.lab.ledger.conn.execute(
        "SELECT v.result, v.version, j.body FROM result_versions v JOIN journal j"
        " ON j.idx = v.entry WHERE v.standing <> '' ORDER BY 1, 2"
    ):
        for ordinal, one in enumerate(orjson.loads(text)["findings"]):
            found.append(
                (result, version, ordinal, one["rule"], one["verdict"], one["observed"],
                 one["limit"], one["sentence"])
            )  # fmt: skip
    return found


def readings_there(site: Site) -> list[tuple[object, ...]]:
    return _there(
        site,
        "SELECT entry, reading, capture, instrument, method, sample, raw, value, censored, unit,"
        " measured_at, dilution, dilution_applied FROM ingestd.readings",
    )


def readings_here(site: Site) -> list[tuple[object, ...]]:
    rows = site.lab.ledger.conn.execute(
        "SELECT entry, id, capture, instrument, method, sample, raw, value, censored, unit,"
        " measured_at, dilution, dilution_applied FROM readings ORDER BY entry"
    )
    return [
        (*row[:7], number(row[7]), row[8], row[9], moment(row[10]), number(row[11]),
         None if row[12] is None else bool(row[12]))
        for row in rows
    ]  # fmt: skip


def placements_there(site: Site) -> list[tuple[object, ...]]:
    return site.centre.ask(
        "SELECT reading, run, position FROM (SELECT DISTINCT ON (site, reading) * FROM"
        " ingestd.placements WHERE site = %s ORDER BY site, reading, entry DESC) now"
        " WHERE what = 'placed' ORDER BY reading",
        site.name,
    )


def placements_here(site: Site) -> list[tuple[object, ...]]:
    return site.lab.ledger.conn.execute(
        "SELECT reading, run, position FROM placements ORDER BY reading"
    ).fetchall()


def captures_there(site: Site) -> list[tuple[object, ...]]:
    return _there(
        site, "SELECT capture, kind, source, name, size, sha256, continues FROM ingestd.captures"
    )


def captures_here(site: Site) -> list[tuple[object, ...]]:
    return site.lab.ledger.conn.execute(
        "SELECT id, kind, source, name, size, sha256, continues FROM captures ORDER BY id"
    ).fetchall()


def runs_there(site: Site) -> list[tuple[object, ...]]:
    return site.centre.ask(
        "SELECT DISTINCT ON (run) run, version, method, instrument, analyst, tubes,"
        " started_at FROM ingestd.runs WHERE site = %s ORDER BY run, version DESC",
        site.name,
    )


def runs_here(site: Site) -> list[tuple[object, ...]]:
    rows = site.lab.ledger.conn.execute(
        "SELECT name, version, method, instrument, analyst,"
        " (SELECT count(*) FROM tubes t WHERE t.run = r.name), started_at FROM runs r"
        " ORDER BY name COLLATE BINARY"
    )
    return [(*row[:6], moment(row[6])) for row in rows]


def samples_there(site: Site) -> list[tuple[object, ...]]:
    return _there(
        site,
        "SELECT sample, version, entry, point, matrix, chloride_mg_l FROM ingestd.samples",
    )


def samples_here(site: Site) -> list[tuple[object, ...]]:
    found: list[tuple[object, ...]] = []
    for name, version, entry, text in site.lab.ledger.conn.execute(
        "SELECT name, version, entry, body FROM inputs WHERE kind = 'sample' ORDER BY 1, 2"
    ):
        body = orjson.loads(text)
        found.append(
            (name, version, entry, body["point"], body["matrix"], number(body["chloride_mg_l"]))
        )
    return found


def journal_there(site: Site) -> list[tuple[object, ...]]:
    return _there(site, "SELECT entry, body, site FROM ingestd.journal")


def journal_here(site: Site) -> list[tuple[object, ...]]:
    rows = site.lab.ledger.conn.execute("SELECT idx, body FROM journal ORDER BY idx")
    return [(index, body, site.name) for index, body in rows]
