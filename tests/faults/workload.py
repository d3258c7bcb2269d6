"""What is sent to a laboratory under fault, and the check that all of it arrived exactly once.

Each round is a run of its own: a bench sheet, an export that grows in two pieces, and a file that
no form fits. Whatever happens to the service in between, in the end the ledger must hold each
file's bytes, each reading once, each result with its value, and a journal that verifies.
"""

from dataclasses import dataclass, field

from ingestd.audit.checkpoints import known_checkpoints
from ingestd.audit.verify import verify_ledger
from ingestd.config import load_config
from ingestd.errors import LedgerMismatch
from ingestd.ledger.captures import content_from, find_captures, newest_of_name
from ingestd.ledger.store import Ledger
from tests.conftest import EXPORT_HEAD, PLAN, SHEET_HEAD
from tests.ingestd.service.service_process import Bench, wait_until

SAMPLES = 3  # of each run
# A capture that was being read at so many kills in a row is taken for the cause and set aside.
# Here the kills come from outside, several a minute: the site's number is set to its largest.
PATIENT = "[ledger]\nattempts = 20\n"


def sheet_of(number: int) -> str:
    """The bench sheet of one round."""
    rows = [
        (
            f"R{number},COD-HR,2026-03-02 08:15,P1,mara,standard,1,blank,,B{number},,,,,K1,,"
            "2026-03-02 08:25,2026-03-02 10:25,148,clear"
        ),
        f"R{number},,,,,,2,control_standard,,C{number},,,,,K1,CS500,,,,",
    ]
    rows += [
        f"R{number},,,,,,{3 + at},sample,W-{number}-{at},,inlet,2026-03-02 06:00,200,,K1,,,,,"
        for at in range(SAMPLES)
    ]
    return SHEET_HEAD + "\n".join(rows) + "\n"


def rows_of(number: int) -> list[str]:
    """The rows of one round's export."""
    read = [(f"B{number}", 2), (f"C{number}", 499)]
    read += [(f"W-{number}-{at}", 300 + 7 * number % 500 + at) for at in range(SAMPLES)]
    return [
        f"{number * 100 + at},2026-03-02 10:50:00,{label},COD-HR,,,{value},mg/L,K1\n"
        for at, (label, value) in enumerate(read)
    ]


@dataclass
class Workload:
    """What has been sent so far."""

    bench: Bench
    sent: dict[tuple[str, str], bytes] = field(default_factory=dict)
    rounds: list[int] = field(default_factory=list)

    def begin(self) -> None:
        """Methods, lots and instruments in force before the first service starts."""
        self.bench.put_plan_into_force({"plan.toml": PLAN})

    def send_round(self, number: int, *, in_pieces: bool = True) -> None:
        """Drop the files of one round; returns at once."""
        self.rounds.append(number)
        self._drop("plan", f"sheet-{number}.csv", sheet_of(number))
        rows = rows_of(number)
        path = self.bench.folder / "exports" / f"day-{number}.csv"
        with path.open("w") as file:
            file.write(EXPORT_HEAD + "".join(rows[:2]))
            if in_pieces:
                file.flush()
            file.write("".join(rows[2:]))
        self.sent["p1", path.name] = path.read_bytes()
        self._drop("exports", f"memo-{number}.txt", f"no form knows memo {number}\n")

    def _drop(self, folder: str, name: str, text: str) -> None:
        self.bench.drop(name, text, folder=folder)
        self.sent["plan" if folder == "plan" else "p1", name] = text.encode()

    # --- what must be there -------------------------------------------------------------------

    def expected(self) -> dict[str, tuple[object, object]]:
        found: dict[str, tuple[object, object]] = {}
        for number in self.rounds:
            for line in rows_of(number)[2:]:
                cells = line.split(",")
                found[cells[2]] = ("accepted", cells[6])
        return found

    def is_all_there(self) -> bool:
        if self.bench.states() != self.expected():
            return False
        return self.bench.ask(
            "SELECT count(*) FROM capture_states s JOIN captures c ON c.id = s.capture"
            " WHERE s.state = 'failed' AND c.name LIKE 'memo-%'"
        ) == [(len(self.rounds),)]

    def wait_all_there(self, deadline_s: float = 150.0) -> None:
        """Return once everything sent is in the ledger."""
        try:
            wait_until(self.is_all_there, "everything sent is in the ledger", deadline_s)
        except AssertionError as late:
            wanted, found = self.expected(), self.bench.states()
            missing = {k: (v, found.get(k)) for k, v in wanted.items() if found.get(k) != v}
            raise AssertionError(f"{late}: {missing}\n{self.bench.said()[-4000:]}") from late

    def check(self) -> None:
        """Fail unless each file, reading and result is there exactly once and all verifies."""
        config = load_config(self.bench.folder / "ingestd.toml")
        ledger = Ledger.open_readonly(config.ledger.path)
        try:
            conn = ledger.conn
            for (source, name), data in self.sent.items():
                capture = newest_of_name(conn, source, name)
                assert capture is not None, f"{source}/{name} is lost"
                assert content_from(conn, capture) == data, f"{source}/{name} has other bytes"
            for capture in find_captures(conn):
                assert (capture.source, capture.name) in self.sent or capture.source in (
                    "forms",
                    "plan",
                ), f"{capture.source}/{capture.name} was never sent"
                assert capture.state != "stored", f"capture {capture.id} was never read"
            numbers = [
                value for (value,) in conn.execute("SELECT raw || '@' || sample FROM readings")
            ]
            assert len(numbers) == len(set(numbers)), "a reading was counted twice"
            assert len(numbers) == (SAMPLES + 2) * len(self.rounds), "readings lost or made up"
            versions = conn.execute(
                "SELECT count(*), max(version) FROM result_versions"
            ).fetchone()
            assert versions == (SAMPLES * len(self.rounds), 1), "a result was judged twice over"
            checkpoints, complaints = known_checkpoints(config)
            report = verify_ledger(conn, checkpoints=checkpoints, rebuild=True)
            assert report.faults + complaints == []
            assert report.checkpoints > 0
        finally:
            ledger.close()

    def was_said(self) -> set[tuple[int, str]]:
        """(capture, name) of each arrival that the newest service said it has stored."""
        return {
            (int(str(event["capture"])), str(event["name"]))
            for event in self.bench.events()
            if event.get("event") == "capture_stored"
        }

    def check_said(self, said: set[tuple[int, str]]) -> None:
        """Fail unless what was said to be stored is there: no false success."""
        try:
            ledger = Ledger.open_readonly(self.bench.folder / "ledger.db")
        except LedgerMismatch:
            assert not said
            return
        kept = {(c.id, c.name) for c in find_captures(ledger.conn)}
        ledger.close()
        assert said <= kept, f"said to be stored and not there: {said - kept}"
