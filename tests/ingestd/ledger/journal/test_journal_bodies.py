"""Every kind of journal entry the program writes is canonical JSON after RFC 8785."""

import orjson
import rfc8785

from ingestd.audit.archive import archive_captures
from ingestd.audit.backup import back_up, restore
from ingestd.ledger.captures import find_captures
from ingestd.ledger.deliveries import frontier_at, mark_delivered
from ingestd.ledger.fold import _FOLDS
from ingestd.ledger.journal.merkle import Frontier
from ingestd.ledger.store import Ledger
from ingestd.pipeline.decisions import (
    choose_reported,
    place_reading,
    release,
    set_release_policy,
    withdraw,
)
from ingestd.pipeline.inputs import observe
from ingestd.pipeline.replay.replay import replay
from tests.conftest import EXPORT_HEAD, GOOD_EXPORT, GOOD_ROWS, SHEET, Lab, row


def _work_through_everything(lab: Lab) -> None:
    in_force_cache, conn = lab.pipeline.in_force_cache, lab.ledger.conn
    lab.load("sheet.csv", SHEET)
    lab.arrive(EXPORT_HEAD + "".join(GOOD_ROWS) + row(8, "Wäßrig „9“", "77"))
    lab.arrive(EXPORT_HEAD + row(4, "W-2", "334"), name="edited.csv")
    lab.arrive(GOOD_EXPORT, name="copy.csv")
    lab.arrive(b"no form knows this\n", name="odd.txt")
    with lab.ledger.change(at=lab.clock(), by="rita") as change:
        set_release_policy(
            change, in_force_cache.current(conn), mode="by_reviewer", by="rita", reason="as agreed"
        )
    with lab.ledger.change(at=lab.clock(), by="rita") as change:
        release(change, in_force_cache.current(conn), "R1", reason="")
    first = lab.results()["W-1"].id
    with lab.ledger.change(at=lab.clock(), by="rita") as change:
        choose_reported(change, in_force_cache.current(conn), first, reason="the only one")
    with lab.ledger.change(at=lab.clock(), by="mara", system_user="bench") as change:
        observe(change, "R1", 3, ["homogenised=no"], in_force_cache, lab.config)
    with lab.ledger.change(at=lab.clock(), by="mara") as change:
        place_reading(change, 5, "R1", 3, in_force_cache, lab.config, reason="mislabelled")
    with lab.ledger.change(at=lab.clock(), by="rita") as change:
        withdraw(change, in_force_cache.current(conn), str(first), reason="two bottles swapped")
    lab.load("sheet2.csv", SHEET.replace("4,sample,W-2,", "4,sample,W-2b,"))
    text = str(orjson.loads(_form_body(lab))["text"])
    lab.load("point_table.toml", text.replace('column = "Bottle"', 'column = "Kit batch"'))
    replay(
        lab.ledger,
        lab.config,
        find_captures(conn, source="p1"),
        reason="form mended",
        by="ada",
        clock=lab.clock,
        log=lab.pipeline.log,
    )
    archive_captures(
        lab.ledger,
        lab.folder / "old.zip",
        before=lab.clock(),
        reason="ten years are over",
        at=lab.clock(),
        by="ada",
    )
    with lab.ledger.change(at=lab.clock(), by="ingestd") as change:
        size = change.conn.execute("SELECT size FROM frontier").fetchone()[0]
        frontier = frontier_at(change.conn, size, Frontier())
        mark_delivered(change, "centre", frontier, rows=3, set_aside={5: "Wert “zu groß”"})
    back_up(lab.config, lab.folder / "copy.db")


def _form_body(lab: Lab) -> str:
    return str(lab.one("SELECT body FROM inputs WHERE kind = 'form' AND name = 'point_table'"))


def _bodies_of_everything(lab: Lab) -> list[bytes]:
    """Every journal entry of a ledger that was worked, copied, and taken back from its copy."""
    _work_through_everything(lab)
    lab.ledger.close()
    for path in lab.folder.glob("ledger.db*"):
        path.rename(path.with_name(f"lost-{path.name}"))
    restore(
        lab.config,
        lab.folder / "copy.db",
        by="ada",
        reason="disk died",
        at=lab.clock(),
        system_user="root",
    )
    taken_back = Ledger.open_readonly(lab.config.ledger.path)
    bodies = [body for (body,) in taken_back.conn.execute("SELECT body FROM journal")]
    taken_back.close()
    return bodies


def test_every_entry_is_canonical_after_rfc_8785(lab: Lab) -> None:
    bodies = _bodies_of_everything(lab)
    assert len(bodies) > 40
    for body in bodies:
        assert rfc8785.dumps(orjson.loads(body)) == body


def test_every_kind_of_entry_was_among_them(lab: Lab) -> None:
    kinds = {orjson.loads(body)["kind"] for body in _bodies_of_everything(lab)}
    assert set(_FOLDS) - kinds == set()
