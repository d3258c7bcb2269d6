"""What people decide, and what the rules forbid whoever asks."""

from collections.abc import Callable

import pytest

from ingestd.audit.verify import verify_ledger
from ingestd.errors import Refused
from ingestd.ledger import work
from ingestd.ledger.results import entry_body, find_results, versions_of
from ingestd.model import Person, PersonRole
from ingestd.pipeline.decisions import (
    add_person,
    choose_reported,
    place_in_order,
    place_reading,
    release,
    roles_from,
    set_release_policy,
    withdraw,
)
from ingestd.pipeline.inputs import observe
from tests.conftest import EXPORT_HEAD, GOOD_EXPORT, GOOD_ROWS, SHEET, Lab, row


def decide(
    lab: Lab, what: Callable[..., object], *args: object, who: str, **how: object
) -> object:
    with lab.ledger.change(at=lab.clock(), by=who) as change:
        in_force = lab.pipeline.in_force_cache.current(lab.ledger.conn)
        return what(change, in_force, *args, **how)


def note(lab: Lab, position: int | None, *pairs: str, run: str = "R1", by: str = "mara") -> None:
    with lab.ledger.change(at=lab.clock(), by=by) as change:
        observe(change, run, position, pairs, lab.pipeline.in_force_cache, lab.config)


def place(
    lab: Lab, reading: int, run: str, tube: int, *, by: str = "mara", why: str = "x"
) -> None:
    with lab.ledger.change(at=lab.clock(), by=by) as change:
        place_reading(
            change, reading, run, tube, lab.pipeline.in_force_cache, lab.config, reason=why
        )


def sign_automatic(lab: Lab) -> None:
    decide(lab, set_release_policy, mode="automatic", who="rita", by="rita", reason="validated")


@pytest.fixture
def judged(lab: Lab) -> Lab:
    """A complete run: W-1 and W-2 accepted."""
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    return lab


@pytest.fixture(autouse=True)
def proven(lab: Lab) -> object:
    """After each test here the journal alone gives the same tables."""
    yield
    report = verify_ledger(lab.ledger.conn, rebuild=True)
    assert report.faults == []


# --- release ----------------------------------------------------------------------------------


def test_run_is_released_by_a_reviewer_with_its_accepted_results(judged: Lab) -> None:
    decided = decide(judged, release, "R1", who="rita", reason="")
    assert [one.sample for one in decided] == ["W-1", "W-2"]  # type: ignore[attr-defined]
    assert judged.states() == {"W-1": ("released", "1280"), "W-2": ("released", "333")}


@pytest.mark.parametrize("account", ["mara", "ada", "nobody"])
def test_only_a_reviewer_releases(judged: Lab, account: str) -> None:
    with pytest.raises(Refused, match="account"):
        decide(judged, release, "R1", who=account, reason="because")
    assert judged.states()["W-1"][0] == "accepted"


def test_inactive_account_decides_nothing(judged: Lab) -> None:
    gone = Person(account="rita", roles=(PersonRole.REVIEWER,), active=False)
    decide(judged, add_person, gone, who="ada", by="ada")
    with pytest.raises(Refused, match="there is none"):
        decide(judged, release, "R1", who="rita", reason="")


def test_nobody_releases_their_own_work(judged: Lab) -> None:
    both = Person(account="mara", roles=(PersonRole.ANALYST, PersonRole.REVIEWER))
    decide(judged, add_person, both, who="ada", by="ada")
    for subject in ("R1", "1"):
        with pytest.raises(Refused, match="mara worked it"):
            decide(judged, release, subject, who="mara", reason="quick")
    assert judged.states()["W-1"][0] == "accepted"


def test_run_release_leaves_held_and_refused_results_where_they_are(judged: Lab) -> None:
    note(judged, 3, "turbidity=turbid")
    assert judged.states()["W-1"][0] in ("held", "refused")
    before = judged.states()["W-1"]
    decide(judged, release, "R1", who="rita", reason="all fine")
    assert judged.states()["W-1"] == before
    assert judged.states()["W-2"] == ("released", "333")


def held(lab: Lab) -> int:
    """A held W-1: its lot had expired."""
    lab.load("sheet.csv", SHEET.replace("1+1,K1", "1+1,OLD"))
    lab.arrive(EXPORT_HEAD + "".join(GOOD_ROWS))
    result = lab.results()["W-1"]
    assert result.state == "held"
    return result.id


def test_held_result_is_released_by_number_with_a_reason_that_is_kept(lab: Lab) -> None:
    ident = held(lab)
    with pytest.raises(Refused, match="reason"):
        decide(lab, release, str(ident), who="rita", reason="  ")
    decide(lab, release, str(ident), who="rita", reason="dial was misread, logbook page 12")
    result = lab.results()["W-1"]
    assert (result.state, result.reason) == ("released", "dial was misread, logbook page 12")


def test_held_result_without_a_value_is_not_released(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    other = row(3, "W-1", "640", dilution="5")  # another dilution was dialled in than planned
    lab.arrive(EXPORT_HEAD + "".join(GOOD_ROWS[:2]) + other + GOOD_ROWS[3])
    result = lab.results()["W-1"]
    assert (result.state, result.text) == ("held", "")
    with pytest.raises(Refused, match="no value"):
        decide(lab, release, str(result.id), who="rita", reason="I insist")


def test_refused_result_is_never_released(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(EXPORT_HEAD + "".join(GOOD_ROWS[:3]) + row(4, "W-2", "-400"))
    result = lab.results()["W-2"]
    assert result.state == "refused"
    with pytest.raises(Refused, match="never released"):
        decide(lab, release, str(result.id), who="rita", reason="I insist")
    decide(lab, release, "R1", who="rita", reason="I insist")
    assert lab.states()["W-2"][0] == "refused"


def test_release_twice_or_of_nothing_is_refused(judged: Lab) -> None:
    decide(judged, release, "R1", who="rita", reason="")
    with pytest.raises(Refused, match="released already"):
        decide(judged, release, "1", who="rita", reason="")
    with pytest.raises(Refused, match="nothing in it"):
        decide(judged, release, "R1", who="rita", reason="")
    with pytest.raises(Refused, match="no result or judged run"):
        decide(judged, release, "R9", who="rita", reason="")


def test_released_stays_in_force_with_the_new_version_proposed_beside_it(judged: Lab) -> None:
    decide(judged, release, "R1", who="rita", reason="")
    note(judged, 3, "turbidity=turbid")
    result = judged.results()["W-1"]
    assert (result.state, result.text, result.version, result.proposed) == (
        "released",
        "1280",
        1,
        2,
    )
    versions = versions_of(judged.ledger.conn, result.id)
    assert [v.standing for v in versions] == ["released", ""]
    note(judged, 3, "turbidity=clear")
    again = judged.results()["W-1"]
    assert (again.state, again.version, again.proposed) == ("released", 1, 3)


def test_superseding_a_released_version_needs_a_reason_and_names_it(judged: Lab) -> None:
    decide(judged, release, "R1", who="rita", reason="")
    note(judged, 3, "block_temperature=120")
    ident = judged.results()["W-1"].id
    with pytest.raises(Refused, match="reason"):
        decide(judged, release, str(ident), who="rita", reason="")
    decide(judged, release, str(ident), who="rita", reason="the probe was off, see logbook")
    versions = versions_of(judged.ledger.conn, ident)
    assert [v.standing for v in versions] == ["superseded", "released"]
    entry = judged.one(
        "SELECT entry FROM (SELECT max(idx) AS entry FROM journal WHERE instr(body, ?))",
        b'"kind":"decided"',
    )
    body = entry_body(judged.ledger.conn, int(str(entry)))
    assert (body["replaces"], body["reason"], body["by"]) == (
        1,
        "the probe was off, see logbook",
        "rita",
    )


def test_repeated_observation_of_the_same_makes_no_new_version(judged: Lab) -> None:
    note(judged, 3, "turbidity=clear")
    before = len(versions_of(judged.ledger.conn, 1))
    note(judged, 3, "turbidity=clear")
    assert len(versions_of(judged.ledger.conn, 1)) == before


# --- withdraw, reported value -----------------------------------------------------------------


def test_withdrawing_needs_a_reason_and_something_released(judged: Lab) -> None:
    with pytest.raises(Refused, match="nothing of it is released"):
        decide(judged, withdraw, "R1", who="rita", reason="spoiled")
    decide(judged, release, "R1", who="rita", reason="")
    with pytest.raises(Refused, match="reason"):
        decide(judged, withdraw, "R1", who="rita", reason="")
    decide(judged, withdraw, "1", who="rita", reason="sample was swapped")
    assert judged.states() == {"W-1": ("withdrawn", "1280"), "W-2": ("released", "333")}


def test_withdrawn_result_comes_back_only_by_number_and_with_a_reason(judged: Lab) -> None:
    decide(judged, release, "R1", who="rita", reason="")
    decide(judged, withdraw, "1", who="rita", reason="sample was swapped")
    with pytest.raises(Refused, match="nothing in it"):
        decide(judged, release, "R1", who="rita", reason="all")
    with pytest.raises(Refused, match="reason"):
        decide(judged, release, "1", who="rita", reason="")
    decide(judged, release, "1", who="rita", reason="it was not swapped after all")
    assert judged.states()["W-1"] == ("released", "1280")


def test_withdrawn_result_stays_withdrawn_when_it_is_judged_anew(judged: Lab) -> None:
    decide(judged, release, "R1", who="rita", reason="")
    decide(judged, withdraw, "1", who="rita", reason="sample was swapped")
    note(judged, 3, "chloride=250")
    row = judged.results()["W-1"]
    assert (row.state, row.version, row.proposed) == ("withdrawn", 1, 2)
    with pytest.raises(Refused, match="nothing in it"):
        decide(judged, release, "R1", who="rita", reason="all")
    decide(judged, release, "1", who="rita", reason="it was not swapped after all")
    assert judged.results()["W-1"].version == 2
    assert judged.states()["W-1"] == ("released", "1280")


SECOND = (
    SHEET.replace("R1", "R2")
    .replace("08:15", "11:15")
    .replace("08:25", "11:16")
    .replace("10:25", "13:16")
)
SECOND_ROWS = "".join(
    row(number, sample, value, dilution=dilution).replace(" 10:", " 13:")
    for number, sample, value, dilution in (
        (11, "B1", "3", ""),
        (12, "C1", "501", ""),
        (13, "W-1", "645", "2"),
        (14, "W-2", "330", ""),
    )
)


def reported(lab: Lab) -> set[tuple[str, str]]:
    return {(r.run, r.sample) for r in find_results(lab.ledger.conn) if r.reported}


def test_single_released_result_is_reported_and_among_several_a_person_chooses(
    judged: Lab,
) -> None:
    decide(judged, release, "R1", who="rita", reason="")
    assert reported(judged) == {("R1", "W-1"), ("R1", "W-2")}
    judged.load("second.csv", SECOND)
    judged.arrive(EXPORT_HEAD + SECOND_ROWS, name="second.csv")
    states = {(r.run, r.sample): r.state for r in find_results(judged.ledger.conn)}
    assert states["R2", "W-1"] == "accepted", judged.waiting()
    decide(judged, release, "R2", who="rita", reason="")
    assert reported(judged) == set(), "several qualify: never the program's choice"
    chosen = next(r for r in find_results(judged.ledger.conn, run="R2") if r.sample == "W-1")
    with pytest.raises(Refused, match="reason"):
        decide(judged, choose_reported, chosen.id, who="rita", reason="")
    decide(judged, choose_reported, chosen.id, who="rita", reason="better recovery")
    assert reported(judged) == {("R2", "W-1")}
    decide(judged, withdraw, str(chosen.id), who="rita", reason="lot recalled")
    assert reported(judged) == {("R1", "W-1")}, "one released is left, that stands"


def test_result_that_is_not_released_cannot_be_chosen(judged: Lab) -> None:
    with pytest.raises(Refused, match="not a released result"):
        decide(judged, choose_reported, 1, who="rita", reason="x")


# --- policy -----------------------------------------------------------------------------------


def test_signed_policy_releases_what_is_accepted_and_nothing_else(lab: Lab) -> None:
    sign_automatic(lab)
    lab.load("sheet.csv", SHEET)
    lab.arrive(
        EXPORT_HEAD + "".join(GOOD_ROWS[:2]) + row(3, "W-1", "640", dilution="5") + GOOD_ROWS[3]
    )
    assert lab.states()["W-2"] == ("released", "333")
    assert lab.states()["W-1"][0] == "held"
    assert "signed by rita: validated" in lab.results()["W-2"].reason


def test_policy_needs_a_reviewer_and_a_reason(lab: Lab) -> None:
    for account, reason in (("ada", "x"), ("mara", "x"), ("rita", " ")):
        with pytest.raises(Refused):
            decide(
                lab, set_release_policy, who=account, mode="automatic", by=account, reason=reason
            )


def test_policy_never_releases_again_what_a_person_withdrew(lab: Lab) -> None:
    sign_automatic(lab)
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    decide(lab, withdraw, "1", who="rita", reason="swapped")
    note(lab, 3, "chloride=250")
    assert lab.states()["W-1"][0] != "released"


def test_policy_withdrawn_by_a_reviewer_ends_automatic_release(lab: Lab) -> None:
    sign_automatic(lab)
    decide(lab, set_release_policy, who="rita", mode="by_reviewer", by="rita", reason="audit")
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    assert lab.states()["W-2"] == ("accepted", "333")


# --- placing ----------------------------------------------------------------------------------


def test_waiting_reading_is_placed_by_hand_with_its_reason(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(EXPORT_HEAD + "".join(GOOD_ROWS[:3]) + row(4, "W-Z", "333"))
    (waiting,) = work.waiting_readings(lab.ledger.conn)
    place(lab, waiting.reading.id, "R1", 4, why="typed Z for 2")
    assert lab.waiting() == {}
    assert lab.states()["W-2"] == ("accepted", "333")
    assert lab.one("SELECT reason FROM placements WHERE reading = ?", waiting.reading.id) == (
        "typed Z for 2"
    )


def test_moved_reading_changes_both_tubes_and_the_old_version_stays_readable(judged: Lab) -> None:
    place(judged, 4, "R1", 3, why="bottles were swapped")
    states = judged.states()
    assert states["W-1"][0] == "held", "two readings on one tube"
    assert states["W-2"][0] == "awaiting"
    first = versions_of(judged.ledger.conn, judged.results()["W-2"].id)[0]
    assert first.text == "333"


def test_moved_reading_of_a_released_result_leaves_it_released(judged: Lab) -> None:
    decide(judged, release, "R1", who="rita", reason="")
    place(judged, 4, "R1", 3, why="bottles were swapped")
    assert judged.states() == {"W-1": ("released", "1280"), "W-2": ("released", "333")}
    assert {r.sample: r.proposed for r in judged.results().values()} == {"W-1": 2, "W-2": 2}


@pytest.mark.parametrize(
    ("reading", "run", "tube", "by", "why", "match"),
    [
        (99, "R1", 3, "mara", "x", "reading 99"),
        (1, "R9", 3, "mara", "x", "run 'R9'"),
        (1, "R1", 9, "mara", "x", "no tube 9"),
        (1, "R1", 1, "mara", "x", "on that tube already"),
        (1, "R1", 2, "mara", "", "reason"),
        (1, "R1", 2, "nobody", "x", "account"),
    ],
)
def test_placing_that_cannot_be_is_refused(
    judged: Lab, reading: int, run: str, tube: int, by: str, why: str, match: str
) -> None:
    before = judged.one("SELECT size FROM frontier")
    with pytest.raises(Refused, match=match):
        place(judged, reading, run, tube, by=by, why=why)
    assert judged.one("SELECT size FROM frontier") == before


def test_reading_of_another_method_is_not_placed(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(EXPORT_HEAD + row(4, "W-2", "33").replace("COD-HR", "NH4-X"))
    with pytest.raises(Refused, match="NH4-X"):
        place(lab, 1, "R1", 4)


ORDER = (
    SHEET.replace("turbidity\n", "turbidity,order\n")
    .replace("148,clear\n", "148,clear,in_sheet_order\n")
    .replace(",,,,\n", ",,,,,\n")
)
NAMELESS_FORM = """
shape = "table"
dilution_applied = false
[numbers]
decimal = "."
[table]
delimiter = ","
[fields.datetime]
column = "When"
patterns = ["YYYY-MM-DD hh:mm"]
[fields.method]
column = "What"
[fields.dilution]
column = "Times"
[fields.value]
column = "Reads"
[fields.unit]
constant = "mg/L"
"""
NAMELESS = "When,What,Times,Reads\n" + "".join(
    f"2026-03-02 10:5{n},COD-HR,{factor},{value}\n"
    for n, (value, factor) in enumerate((("2", "1"), ("498", "1"), ("640", "2"), ("333", "1")))
)


def confirm(lab: Lab, *, by: str = "mara") -> int:
    with lab.ledger.change(at=lab.clock(), by=by) as change:
        return place_in_order(
            change, "R1", lab.pipeline.in_force_cache, lab.config, reason="read left to right"
        )


def test_nameless_readings_wait_until_a_person_confirms_the_order(lab: Lab) -> None:
    lab.load("nameless.toml", NAMELESS_FORM)
    lab.load("sheet.csv", ORDER)
    lab.arrive(NAMELESS)
    assert lab.states() == {}
    assert confirm(lab) == 4
    assert lab.states() == {"W-1": ("accepted", "1280"), "W-2": ("accepted", "333")}


def test_order_is_not_confirmed_while_the_counts_disagree(lab: Lab) -> None:
    lab.load("nameless.toml", NAMELESS_FORM)
    lab.load("sheet.csv", ORDER)
    lab.arrive(NAMELESS.rsplit("\n", 2)[0] + "\n")
    with pytest.raises(Refused, match="counts must agree"):
        confirm(lab)
    note(lab, 4, "void=spilled")
    assert confirm(lab) == 3


# --- accounts ---------------------------------------------------------------------------------


def test_first_account_of_a_ledger_must_be_an_admin_and_others_need_one(lab: Lab) -> None:
    with pytest.raises(Refused, match="role admin"):
        decide(
            lab,
            add_person,
            Person(account="eve", roles=(PersonRole.REVIEWER,)),
            who="mara",
            by="mara",
        )
    with pytest.raises(Refused, match="there is none"):
        decide(
            lab, add_person, Person(account="eve", roles=(PersonRole.ADMIN,)), who="eve", by="eve"
        )


def test_role_that_does_not_exist_is_refused() -> None:
    with pytest.raises(Refused, match="viewer, analyst, reviewer, admin"):
        roles_from(["boss"])
