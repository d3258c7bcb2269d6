"""Instruments at work: tubes are read, printed and handed out, with all that goes wrong there."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

from tests.simulation.laboratory import FOLDERS, INSTRUMENTS, LINE
from tests.simulation.life import Life
from tests.simulation.printing import Printed, print_comma, print_point, print_report
from tests.simulation.truth import Measurement, TubePlan
from tests.simulation.working import Shown, Work


class Instruments:
    """The photometers of a site, with their counters, clocks and files."""

    def __init__(self, life: Life) -> None:
        self.life = life
        self.numbers = dict.fromkeys(INSTRUMENTS, 0)
        self.offsets = dict.fromkeys(INSTRUMENTS, timedelta(0))
        self.memory: dict[str, list[Measurement]] = {name: [] for name in INSTRUMENTS}
        self.growing: dict[str, tuple[str, Printed]] = {}
        self.renamed = False  # the table's instrument was updated and names a column otherwise
        self.files = 0

    # --- reading ----------------------------------------------------------------------------

    def read_run(self, work: Work) -> None:
        """Read the tubes of a run and hand the readings out."""
        life, chance, bad = self.life, self.life.chance, self.life.weather.instruments
        tubes = list(work.plan.tubes)
        if len(tubes) > 2 and chance.random() < bad / 2:  # put into each other's place
            one, other = chance.sample(range(len(tubes)), 2)
            a, b = tubes[one], tubes[other]
            tubes[one] = replace(b, position=a.position)
            tubes[other] = replace(a, position=b.position)
        name = work.reads_in
        at = life.site.now
        if chance.random() < bad / 2:
            self.offsets[name] = timedelta(minutes=chance.choice((-1500, -45, 3, 50, 0)))
        rows = []
        for tube in tubes:
            at += timedelta(seconds=chance.randint(20, 60))
            rows.append(self._measure(name, work, tube, at))
            if chance.random() < bad / 3:
                at += timedelta(seconds=30)
                rows.append(self._measure(name, work, tube, at))
            elif chance.random() < bad and name == "P2":
                rows.append(self._at_once(rows[-1]))
        life.site.now = at
        self.memory[name] += rows
        self.hand_out(name, rows)

    def _measure(self, name: str, work: Work, tube: TubePlan, at: datetime) -> Measurement:
        life, chance, bad = self.life, self.life.chance, self.life.weather.instruments
        self.numbers[name] += 1
        number = self.numbers[name]
        if number > 3 and chance.random() < bad / 10:
            number -= chance.randint(1, 3)  # it uses a number again
        shown = work.shows[tube.position]
        factor = work.plan.tubes[tube.position - 1].factor
        stated: Decimal | None = factor
        if chance.random() < bad / 5:
            stated = chance.choice((Decimal(2), Decimal(4), Decimal(4) if name == LINE else None))
        elif not INSTRUMENTS[name][1] and chance.random() < 0.3:
            stated = None  # it needs none, for it applies none
        label = tube.label
        if chance.random() < bad / 5:
            label = chance.choice((f"{label}x", label.lower(), f" {label}".strip(), "W1-1"))
        clock = at + self.offsets[name]
        wall = clock.astimezone(ZoneInfo(life.site.zone)).replace(tzinfo=None, microsecond=0)
        measured = Measurement(
            instrument=name, number=number, wall=wall, label=label, method=work.plan.method,
            shown=_digits(shown, stated if INSTRUMENTS[name][1] else None), sign=shown.sign,
            stated=stated,
        )  # fmt: skip
        life.sent[measured] = (work.plan.name, tube.position)
        return measured

    def _at_once(self, first: Measurement) -> Measurement:
        """The tube is read again within the same second: the display shows the same or not."""
        again = first
        if first.shown and self.life.chance.random() < 0.5:
            step = Decimal(first.shown).as_tuple().exponent
            again = replace(first, shown=str(Decimal(first.shown) + Decimal((0, (1,), int(step)))))
        self.life.sent[again] = self.life.sent[first]
        return again

    # --- handing out ------------------------------------------------------------------------

    def hand_out(self, name: str, rows: Sequence[Measurement]) -> None:
        """Readings leave the instrument: by line, in a growing file or in a file of their own."""
        life, chance = self.life, self.life.chance
        if name == LINE:
            life.line.sending += rows
            life.transmit()
        elif chance.random() < 0.5:
            self._grow(name, rows)
        else:
            self.files += 1
            self.export(name, f"run-{self.files}.txt", rows)

    def _grow(self, name: str, rows: Sequence[Measurement]) -> None:
        life, chance = self.life, self.life.chance
        if name not in self.growing or chance.random() < 0.1:
            self.files += 1
            self.growing[name] = (f"growing-{self.files}.txt", self._print(name, []))
        file, page = self.growing[name]
        if (page.layout == "renamed_table") != (self.renamed and name == "P1"):
            self.files += 1
            file, page = f"growing-{self.files}.txt", self._print(name, [])
            self.growing[name] = (file, page)
        parts = [rows]
        if len(rows) > 2 and chance.random() < 0.5:
            parts = [rows[: len(rows) // 2], rows[len(rows) // 2 :]]
        for part in parts:
            page = self._print(name, part, page)
            if chance.random() < life.weather.instruments:
                rest = page.cut(":" if name == "P3" else ";" if name == "P2" else ",")
                life.write(name, file, page.copy())
                if chance.random() < 0.5:
                    life.look(name, file)
                page.data += rest
            life.write(name, file, page.copy())
            self.growing[name] = (file, page)

    def export(self, name: str, file: str, rows: Sequence[Measurement]) -> None:
        """A whole file of readings; sometimes in an encoding that nobody expects, then again."""
        life, chance = self.life, self.life.chance
        page = self._print(name, rows)
        if name == "P3" and chance.random() < 0.5 and page.rows:
            page.data = page.data[:-1]  # no blank line behind the last block
        if page.rows and chance.random() < life.weather.instruments / 3:
            spoilt = Printed("", page.data.decode("utf-8", "replace").encode("utf-32-be"))
            life.write(name, file, spoilt)
        life.write(name, file, page)

    def _print(
        self, name: str, rows: Sequence[Measurement], onto: Printed | None = None
    ) -> Printed:
        if name == "P1":
            return print_point(rows, onto, renamed=self.renamed)
        if name == "P2":
            return print_comma(rows, onto)
        return print_report(rows, onto)

    def export_all(self) -> None:
        """Everything in the memory of one instrument once more, under another name."""
        name = self.life.chance.choice(FOLDERS)
        if self.memory[name]:
            self.files += 1
            self.export(name, f"all-{self.files}.txt", self.memory[name][-60:])


def _digits(shown: Shown, multiplied_by: Decimal | None) -> str:
    if shown.digits is None:
        return ""
    value = shown.digits if multiplied_by is None else shown.digits * multiplied_by
    return format(value, "f")
