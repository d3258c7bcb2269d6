"""A reviewer at work: runs and results are released and withdrawn."""

from typing import Any

from ingestd.errors import Refused
from ingestd.pipeline.decisions import release as release_result
from ingestd.pipeline.decisions import withdraw as withdraw_result
from tests.simulation import model_acts as acts
from tests.simulation.invariants import must
from tests.simulation.life import Life, act
from tests.simulation.model import Key


class Reviewer:
    """The reviewer of a site."""

    def __init__(self, life: Life) -> None:
        self.life = life

    def _rows(self, run: str) -> list[tuple[Key, int, int, int]]:
        """Key, id, version that stands and newest version of the results of a run."""
        rows = self.life.site.ledger.conn.execute(
            "SELECT r.sample, r.id, r.version, max(v.version) FROM results r JOIN result_versions"
            " v ON v.result = r.id WHERE r.run = ? GROUP BY r.id ORDER BY r.id",
            (run,),
        )
        return [((run, sample), ident, stands, newest) for sample, ident, stands, newest in rows]

    def release_run(self) -> None:
        """A reviewer releases whatever is accepted in a run."""
        life = self.life
        names = sorted({run for run, _ in life.site.model.results})
        if not names:
            return
        run = life.chance.choice(names)
        due = []
        for key, ident, stands, newest in self._rows(run):
            standing = life.site.model.results[key]
            is_in_force = standing.released is not None and standing.released[0] == newest
            is_free = not is_in_force and standing.withdrawn is None
            if standing.newest.verdict == "accepted" and is_free:
                due.append((key, ident, stands, newest))
        self._release(run, due)

    def release_one(self) -> None:
        """A reviewer releases one result, held ones too; what is refused is never released."""
        life = self.life
        if not life.site.model.results:
            return
        key = life.chance.choice(sorted(life.site.model.results))
        row = next(row for row in self._rows(key[0]) if row[0] == key)
        standing = life.site.model.results[key]
        is_in_force = standing.released is not None and standing.released[0] == row[3]
        said = standing.newest
        may = said.verdict == "accepted" or (said.verdict == "held" and said.text != "")
        self._release(str(row[1]), [row] if may and not is_in_force else [])

    def _release(self, subject: str, due: list[tuple[Key, int, int, int]]) -> None:
        site = self.life.site
        self.life.note(f"  release {subject}: {len(due)} results")

        def do(change: Any) -> None:
            in_force = site.pipeline.in_force_cache.current(change.conn)
            release_result(change, in_force, subject, reason="looked at")

        try:
            is_done = act(self.life, "rita", do)
        except Refused:
            must(not due, f"release of {subject} was refused, though {due} is due")
            return
        if not is_done:
            return
        must(bool(due), f"release of {subject} was not refused")
        for key, ident, stands, newest in due:
            before = site.model.results[key].released
            replaced = stands if before is not None else None
            site.decisions.append((ident, newest, "released", replaced))
            if replaced is not None:
                site.decisions.append((ident, replaced, "superseded", None))
            acts.release(site.model, key, newest)

    def withdraw(self) -> None:
        """A reviewer withdraws a released result."""
        site = self.life.site
        keys = sorted(k for k, s in site.model.results.items() if s.released is not None)
        if not keys:
            return
        key = self.life.chance.choice(keys)
        _, ident, stands, newest = next(row for row in self._rows(key[0]) if row[0] == key)
        self.life.note(f"  withdraw {ident} of {key}")

        def do(change: Any) -> None:
            in_force = site.pipeline.in_force_cache.current(change.conn)
            withdraw_result(change, in_force, str(ident), reason="in doubt")

        if act(self.life, "rita", do):
            site.decisions.append((ident, stands, "withdrawn", None))
            acts.withdraw(site.model, key, newest)
