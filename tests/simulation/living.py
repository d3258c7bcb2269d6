"""A seed from its first day to its last: what is arranged by chance, and the last checks."""

import random
import shutil
import tempfile
import traceback
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from ingestd.ledger.captures import find_captures
from ingestd.pipeline.replay.replay import replay
from tests.simulation import model_acts as acts
from tests.simulation.delivering import Delivery
from tests.simulation.invariants import must
from tests.simulation.laboratory import LATE_LOTS, METHODS, ZONES, lot_text, method_text, revised
from tests.simulation.life import Life, weather
from tests.simulation.people import People
from tests.simulation.printing import RENAMED_FORM
from tests.simulation.readings import Instruments
from tests.simulation.reviewing import Reviewer
from tests.simulation.site import Site, silent_log
from tests.simulation.working import plan_work

DAYS = (datetime(2026, 3, 2, tzinfo=UTC), datetime(2026, 10, 12, tzinfo=UTC))
HOUR = timedelta(hours=1)


@dataclass(slots=True)
class Lived:
    """What became of a seed.

    Attributes:
        roots: of each site's journal at the end.
        broken: what did not hold, "" if everything did.
        counts: what was done in numbers.
    """

    seed: int
    roots: list[str] = field(default_factory=list)
    broken: str = ""
    trace: list[str] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)


def live(seed: int, *, folder: Path | None = None) -> Lived:
    """Live one seed through.

    Args:
        folder: where its ledgers lie meanwhile; a temporary one by default.
    """
    root = Path(tempfile.mkdtemp(prefix=f"seed-{seed}-", dir=folder))
    lived = Lived(seed)
    lives: list[Life] = []
    try:
        _live(seed, root, lived, lives)
    except Exception as error:  # noqa: BLE001 - whatever it was, the seed is named with its trace
        lived.broken = "".join(traceback.format_exception(error))
    finally:
        for life in lives:
            life.site.close()
            lived.trace += [f"{life.site.name}: {line}" for line in life.trace]
        shutil.rmtree(root)
    return lived


def _live(seed: int, root: Path, lived: Lived, lives: list[Life]) -> None:
    chance = random.Random(seed)
    delivered = root / "delivered"
    delivered.mkdir()
    histories: list[History] = []
    for number in range(2 if chance.random() < 0.2 else 1):
        site = Site(
            root / f"site-{number}",
            name=f"Site {number}",
            zone=chance.choice(ZONES),
            delivered=delivered,
            began=chance.choice(DAYS) + 7 * HOUR,
            automatic=chance.random() < 0.2,
        )
        lives.append(Life(site, random.Random(chance.random()), weather(chance)))
        histories.append(History(lives[-1], delivered))
        histories[-1].arrange(runs=chance.randint(4, 9))
    for life in lives:
        life.live()
    for history, life in zip(histories, lives, strict=True):
        history.end(again=seed % 2 == 1)  # the dearest check of all, for every other seed
        lived.roots.append(life.watch.tree.root().hex())
        _count(lived, life)


def _count(lived: Lived, life: Life) -> None:
    for name, number in (
        ("sites", 1),
        ("events", life.events),
        ("captures", len(life.site.model.captures)),
        ("readings", len(life.site.model.readings)),
        ("results", len(life.site.model.results)),
        ("decisions", len(life.site.decisions)),
        ("power cuts", life.site.lives),
        ("full disks", sum("disk is full" in line for line in life.trace)),
        ("contradictions", sum(one.conflict for one in life.site.model.readings)),
        ("placed by hand", sum("placed on" in line for line in life.trace)),
        ("superseded", sum(decision[2] == "superseded" for decision in life.site.decisions)),
        ("withdrawn", sum(decision[2] == "withdrawn" for decision in life.site.decisions)),
        ("entries", life.watch.tree.size),
    ):
        lived.counts[name] = lived.counts.get(name, 0) + number


class History:
    """What is to happen at one site."""

    def __init__(self, life: Life, delivered: Path) -> None:
        self.life = life
        self.delivery = Delivery(life, delivered)
        self.people = People(life)
        self.reviewer = Reviewer(life)
        self.instruments = Instruments(life)

    def arrange(self, *, runs: int) -> None:
        """Arrange some weeks of work with what goes wrong in them."""
        life, chance = self.life, self.life.chance
        day = life.site.now
        for number in range(1, runs + 1):
            day += timedelta(days=chance.choice((0, 0, 1, 1, 2, 5)))
            started = day.replace(minute=0, second=0, microsecond=0) + timedelta(
                minutes=chance.randint(0, 300)
            )
            self._arrange_run(number, started)
        last = day + timedelta(days=2)
        span = (last - life.site.now).total_seconds()
        bad = life.weather.people
        for what, do, often in (
            ("somebody attends to what waits", self.people.attend, 2 * runs),
            ("a run is released", self.reviewer.release_run, runs),
            ("a result is released", self.reviewer.release_one, runs // 2),
            ("a result is withdrawn", self.reviewer.withdraw, 2),
            ("results are delivered", self.delivery.step, 4),
            ("a sheet is revised", self.people.revise, round(bad * 20)),
            ("a sheet is handed in again", self.people.hand_in_again, 2),
            ("a time on a sheet is corrected", self.people.correct_times, 1),
            ("a wrong sheet is handed in", self.people.hand_in_wrong, 1),
            ("everything is exported again", self.instruments.export_all, 2),
            ("late kit lots are put on record", self.late_lots, 1),
            ("a method is revised", self.revise_method, round(bad * 10)),
            ("an instrument is updated", self.update_instrument, round(bad * 8)),
            ("everything is read again", self.check_replay, 1),
            ("the program is restarted", life.restart, 1),
        ):
            for _ in range(often):
                life.later(life.site.now + timedelta(seconds=chance.uniform(0, span)), what, do)
        life.later(last, "the last day", lambda: None)

    def _arrange_run(self, number: int, started: datetime) -> None:
        life, chance = self.life, self.life.chance
        bad = life.weather.people
        work = plan_work(chance, number, started)
        plan = work.plan
        end = plan.notes.get((None, "digestion_end"))
        if end is not None and chance.random() < bad * 2:
            plan = acts.copy_of(plan)
            del plan.notes[None, "digestion_end"]
            at = started + timedelta(minutes=chance.randint(100, 600))
            ended = datetime.fromisoformat(end)
            life.later(
                at,
                f"{plan.name}: its digestion",
                lambda: self.people.finish_digestion(plan, ended),
            )
        is_late = chance.random() < bad
        minutes = chance.randint(170, 400) if is_late else chance.randint(1, 5)
        life.later(
            started + timedelta(minutes=minutes),
            f"{plan.name}: its sheet",
            lambda: self.people.hand_in(plan),
        )
        early = chance.random() < life.weather.instruments / 2
        minutes = chance.randint(60, 128) if early else chance.randint(145, 200)
        life.later(
            started + timedelta(minutes=minutes),
            f"{plan.name}: read on {work.reads_in}",
            lambda: self.instruments.read_run(work),
        )

    # --- changes of the plan ----------------------------------------------------------------

    def late_lots(self) -> None:
        """Boxes in use are put on record at last."""
        text = "\n".join(lot_text(lot, method) for method, lot in LATE_LOTS.items())
        model = self.life.site.model
        self.people._load(
            "late.toml", text.encode(), lambda: acts.add_lots(model, LATE_LOTS.values())
        )

    def revise_method(self) -> None:
        """A method is to be rounded more finely from now on."""
        name = self.life.chance.choice(list(METHODS))
        newer = revised(METHODS[name])
        model = self.life.site.model
        if model.methods[name] != newer:
            self.people._load(
                f"method-{name}.toml",
                method_text(newer).encode(),
                lambda: acts.revise_method(model, newer),
            )

    def update_instrument(self) -> None:
        """The table's instrument names a column otherwise; later a form is written for it."""
        if not self.instruments.renamed:
            self.instruments.renamed = True
            self.life.in_s(self.life.chance.uniform(1e4, 3e5), "a form is mended", self.mend_form)

    def mend_form(self) -> None:
        """A form for what could not be read is loaded, and what failed is read again."""
        site, model = self.life.site, self.life.site.model
        self.people._load(
            "renamed_table.toml", RENAMED_FORM.encode(), lambda: model.layouts.add("renamed_table")
        )
        self.life.settle()
        failed = [c for c in find_captures(site.ledger.conn, state="failed") if c.kind == "export"]
        replay(
            site.ledger, site.config, failed, reason="form mended", by="rita", clock=site.clock,
            log=silent_log(),
        )  # fmt: skip
        last = {(c.lineage, c.source, c.name): c.id for c in failed}
        for ident in sorted(last.values()):
            capture = model.captures[ident - 1]
            if capture.printed is not None and capture.printed.layout in model.layouts:
                capture.state = "stored"
                model.read(capture, final=True)

    # --- the more costly checks -------------------------------------------------------------

    def check_replay(self) -> None:
        """Everything read is read again."""
        if all(capture.state != "stored" for capture in self.life.site.model.captures):
            self.life.watch.check_replay()

    def end(self, *, again: bool) -> None:
        """The site at rest: everything is in, proven and delivered; `again`: and lived anew."""
        life = self.life
        life.note("the end")
        must(not life.line.sending, "the line instrument was never heard")
        for source, folder in life.folders.items():
            for name, file in folder.files.items():
                capture = life.site.model.newest(source, name)
                must(capture is not None, f"{source}/{name} never arrived")
                assert capture is not None
                must(capture.data == file.printed.data, f"the last {source}/{name} never arrived")
                must(capture.state != "stored", f"{source}/{name} was never read")
        life.weather = type(life.weather)(0, 0, 0, 0, 0)
        self.delivery.catch_up()
        self.check_replay()
        life.watch.check_proof(again=again)
        life.settle()
