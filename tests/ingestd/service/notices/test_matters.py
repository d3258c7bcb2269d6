"""Everything an operator may be told of: which facts make a matter, its key and its sentence."""

from dataclasses import replace

import pytest
from click.testing import CliRunner

from ingestd.cli.main import main
from ingestd.ledger.deliveries import DeliveryStanding
from ingestd.service.notices.matters import HEADINGS, find_matters, printable
from ingestd.service.status import Standing, standing
from tests.conftest import EXPORT_HEAD, GOOD_EXPORT, GOOD_ROWS, SHEET, Lab, row

FINE = DeliveryStanding(
    target="centre", state="working", up_to=9, behind=0, results_behind=0, oldest="",
    delivered=3, set_aside=0, problem="", since="",
)  # fmt: skip


def now(lab: Lab, **changes: object) -> Standing:
    stands = replace(
        standing(lab.ledger.conn, lab.config, now=lab.now), disk_free_mib=900, disk_low_mib=500
    )
    return replace(stands, **changes)  # type: ignore[arg-type]  # by field name


def told(lab: Lab, stands: Standing, **how: bool) -> list[tuple[str, str, str]]:
    found = find_matters(lab.ledger.conn, stands, [], held_results=how.get("held_results", True))
    return [(one.key, one.kind, one.text) for one in found]


def test_quiet_laboratory_has_none(lab: Lab) -> None:
    fine = now(lab, sources=(("p1", "ok", ""), ("p2", "stopped", "as asked")), deliveries=(FINE,))
    assert told(lab, fine) == []


@pytest.mark.parametrize(
    ("changes", "matter"),
    [
        (
            {"sources": (("p1", "lost", "no such folder"), ("p2", "ok", ""))},
            ("source:p1", "source p1 is lost: no such folder"),
        ),
        ({"sources": (("p1", "quiet", ""),)}, ("source:p1", "source p1 is quiet")),
        (
            {"deliveries": (replace(FINE, state="refused", problem="no such table"),)},
            ("refused:centre", "centre refuses deliveries: no such table"),
        ),
        (
            {"deliveries": (replace(FINE, set_aside=2),)},
            ("set_aside:centre", "centre: 2 entries are set aside"),
        ),
        (
            {"deliveries": (replace(FINE, oldest="2026-03-02 08:00"),), "late": ("centre",)},
            ("late:centre", "centre: results wait for delivery since 2026-03-02 08:00 UTC"),
        ),
        (
            {"disk_free_mib": 499},
            ("disk", "only 499 MiB are free on the ledger's disk"),
        ),
    ],
)
def test_what_lab_it_must_mend_is_one_matter(
    lab: Lab, changes: dict[str, object], matter: tuple[str, str]
) -> None:
    key, text = matter
    assert told(lab, now(lab, **changes)) == [(key, "operation", text)]


def test_target_in_several_straits_is_told_of_each(lab: Lab) -> None:
    worst = replace(FINE, state="refused", problem="x", set_aside=1, oldest="2026-03-02 08:00")
    keys = [key for key, _, _ in told(lab, now(lab, deliveries=(worst,), late=("centre",)))]
    assert keys == ["refused:centre", "set_aside:centre", "late:centre"]
    elsewhere = now(lab, deliveries=(replace(worst, target="files"),), late=("centre",))
    assert "late:files" not in [key for key, _, _ in told(lab, elsewhere)]


def test_disk_with_exactly_the_room_asked_for_needs_no_hand(lab: Lab) -> None:
    assert told(lab, now(lab, disk_free_mib=500)) == []


def test_arrivals_readings_results_and_lots_name_the_command_that_says_why(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(EXPORT_HEAD + "".join(GOOD_ROWS[:3]) + row(4, "W-2", "<15") + row(5, "W-Z", "3"))
    lab.arrive("no form knows this\n", name="memo\x1b[2J.txt")
    lab.load("observed.csv", SHEET.replace("R1", "R2").replace("W-", "V-"))
    failed = lab.one("SELECT capture FROM capture_states WHERE state = 'failed'")
    found = told(lab, now(lab, lots_expiring=("K1",)))
    kinds = [kind for _, kind, _ in found]
    assert kinds == sorted(kinds, key=list(HEADINGS).index)
    texts = {key: text for key, _, text in found}
    assert texts[f"capture:{failed}"] == (
        f"capture {failed}, memo\\x1b[2J.txt of p1: `ingestd captures --capture {failed}` says why"
    )
    waiting = lab.one("SELECT reading FROM waiting")
    assert texts[f"reading:{waiting}"] == (
        f"reading {waiting} of P1: `ingestd readings --waiting` says why"
    )
    assert texts["lot:K1"] == "lot K1 expires soon"
    assert "W-Z" not in " ".join(texts.values()), "samples are never named"


def test_held_and_proposed_results_are_told_where_they_are_asked_for(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT.replace("640", "2640"))
    held = lab.one("SELECT id FROM results WHERE state = 'held'")
    stands = now(lab)
    assert (
        f"held:{held}",
        "result",
        f"result {held} of run R1 is held: `ingestd explain {held}`",
    ) in told(lab, stands)
    assert told(lab, stands, held_results=False) == []


def test_version_beside_a_released_one_is_told_until_somebody_decides(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    assert invocation(lab, "release", "R1", "--by", "rita") == 0
    assert invocation(lab, "observe", "R1", "4", "dilution=2", "--by", "mara") == 0
    ident, version = lab.ledger.conn.execute(
        "SELECT id, proposed FROM results WHERE proposed IS NOT NULL"
    ).fetchone()
    text = f"result {ident} of run R1: version {version} is proposed beside the released one"
    assert told(lab, now(lab)) == [(f"proposed:{ident}:{version}", "result", text)]
    assert told(lab, now(lab), held_results=False) == []


def invocation(lab: Lab, *words: str) -> int:
    config = str(lab.folder / "ingestd.toml")
    return CliRunner().invoke(main, ["--config", config, *words]).exit_code


def test_text_of_a_matter_is_one_printable_line() -> None:
    assert printable("a\r\nb\tc\x1b[1m\u202e") == "a b c\\x1b[1m\\u202e"
