"""From bytes to judged results through a real ledger, whole and in pieces."""

import json
from collections.abc import Callable

import pytest

from ingestd.audit.verify import verify_ledger
from ingestd.ledger.captures import content_from, find_captures, get_capture
from ingestd.ledger.store import content_sha256
from ingestd.sources.arrivals import Arrival
from tests.conftest import EXPORT_HEAD, GOOD_EXPORT, GOOD_ROWS, SHEET, SHEET_HEAD, Lab, row


def assert_proven(lab: Lab) -> None:
    report = verify_ledger(lab.ledger.conn, rebuild=True)
    assert report.faults == []
    assert report.rebuilt


def test_export_after_plan_becomes_accepted_results(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    assert lab.arrive(GOOD_EXPORT)
    assert lab.states() == {"W-1": ("accepted", "1280"), "W-2": ("accepted", "333")}
    assert_proven(lab)


def test_plan_after_its_readings_places_them(lab: Lab) -> None:
    lab.arrive(GOOD_EXPORT)
    assert set(lab.waiting()) == {"B1", "C1", "W-1", "W-2"}
    assert lab.results() == {}
    lab.load("sheet.csv", SHEET)
    assert lab.waiting() == {}
    assert lab.states() == {"W-1": ("accepted", "1280"), "W-2": ("accepted", "333")}
    assert_proven(lab)


def test_growing_file_gives_the_same_as_the_whole_and_stores_only_new_bytes(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    text = EXPORT_HEAD
    for line in GOOD_ROWS:
        text += line
        assert lab.arrive(text, final=False)
    assert lab.states() == {"W-1": ("accepted", "1280"), "W-2": ("accepted", "333")}
    exports = find_captures(lab.ledger.conn, source="p1")
    assert [capture.readings for capture in exports] == [1, 1, 1, 1]
    stored = lab.one("SELECT sum(length(bytes)) FROM captures WHERE source = 'p1'")
    assert stored == len(GOOD_EXPORT)
    assert content_from(lab.ledger.conn, exports[-1]) == GOOD_EXPORT.encode()
    assert_proven(lab)


def _let_the_last_line_end_anyhow(lab: Lab) -> None:
    """The shipped form asks for a line end; a site's own version of it may do without."""
    text = json.loads(
        str(lab.one("SELECT body FROM inputs WHERE kind = 'form' AND name = 'point_table'"))
    )["text"]
    lab.load("point_table.toml", text.replace("[text]", '[text]\nlast_line = "any"'))


def test_last_row_without_line_end_is_a_fault_where_the_form_asks_for_one(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    assert lab.arrive(EXPORT_HEAD + GOOD_ROWS[0] + GOOD_ROWS[1].rstrip("\n"))
    (capture,) = find_captures(lab.ledger.conn, source="p1")
    assert capture.state == "partly_read"
    assert "line end" in str(capture.faults[0]["expected"])
    assert lab.one("SELECT count(*) FROM readings") == 1


@pytest.mark.parametrize("cut", [5, len(EXPORT_HEAD) - 1, len(EXPORT_HEAD) + 12])
def test_unfinished_tail_counts_only_when_final(lab: Lab, cut: int) -> None:
    lab.load("sheet.csv", SHEET)
    _let_the_last_line_end_anyhow(lab)
    whole = EXPORT_HEAD + GOOD_ROWS[0] + GOOD_ROWS[1].rstrip("\n")
    assert not lab.arrive(whole[:cut], final=False)
    assert not lab.arrive(whole, final=False)
    assert lab.one("SELECT count(*) FROM readings") == 1
    assert lab.arrive(whole, final=True)
    assert lab.one("SELECT count(*) FROM readings") == 2
    assert_proven(lab)


def test_last_row_without_line_end_that_grows_is_read_to_its_end(lab: Lab) -> None:
    """A tail that was taken as final and then went on must not stay cut."""
    lab.load("sheet.csv", SHEET)
    _let_the_last_line_end_anyhow(lab)
    cut = EXPORT_HEAD + GOOD_ROWS[0].rstrip("\n")
    assert lab.arrive(cut, final=True)
    assert lab.arrive(EXPORT_HEAD + GOOD_ROWS[0] + GOOD_ROWS[1], final=True)
    assert lab.one("SELECT count(*) FROM readings WHERE retired = ''") == 2
    assert_proven(lab)


def test_unchanged_file_is_no_arrival(lab: Lab) -> None:
    lab.arrive(GOOD_EXPORT)
    before = lab.one("SELECT size FROM frontier")
    assert lab.arrive(GOOD_EXPORT)
    assert lab.one("SELECT size FROM frontier") == before


def test_renamed_and_rewritten_exports_repeat_readings_without_counting_them(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    lab.arrive(GOOD_EXPORT, name="copy.csv")
    lab.arrive(EXPORT_HEAD + "".join(reversed(GOOD_ROWS)), name="sorted.csv")
    assert lab.one("SELECT count(*) FROM readings") == 4
    assert [c.repeats for c in find_captures(lab.ledger.conn, source="p1")] == [0, 4, 4]
    assert lab.states() == {"W-1": ("accepted", "1280"), "W-2": ("accepted", "333")}
    assert_proven(lab)


def test_same_number_with_other_digits_is_a_conflict_that_holds(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(GOOD_EXPORT)
    lab.arrive(EXPORT_HEAD + row(4, "W-2", "999"), name="edited.csv")
    assert lab.results()["W-2"].state == "held"
    assert lab.results()["W-1"].state == "accepted"
    assert "same identity" in lab.waiting()["W-2"]
    assert_proven(lab)


def test_second_reading_of_a_tube_waits_or_holds_and_never_overwrites(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    lab.arrive(EXPORT_HEAD + GOOD_ROWS[0] + GOOD_ROWS[3] + row(9, "W-2", "444", minute=55))
    assert lab.results()["W-2"].state == "held"
    assert lab.results()["W-2"].text == ""


def test_bad_row_is_a_fault_and_the_others_count(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    bad = GOOD_ROWS[3].replace("333", "3.3.3")
    lab.arrive(EXPORT_HEAD + "".join(GOOD_ROWS[:3]) + bad)
    (capture,) = find_captures(lab.ledger.conn, source="p1")
    assert capture.state == "partly_read"
    (fault,) = capture.faults
    text = EXPORT_HEAD + "".join(GOOD_ROWS[:3]) + bad
    assert fault["offset"] == text.index("3.3.3")
    assert fault["field"] == "value"
    assert fault["found"] == "3.3.3"
    assert lab.one("SELECT count(*) FROM readings") == 3


GOOD = row(7, "W-7", "7").encode()
HOSTILE = {
    "empty": (b"", "failed"),
    "header_only": (EXPORT_HEAD.encode(), "read"),
    "wrong_encoding": (
        EXPORT_HEAD.encode() + row(1, "W\xe4", "5").encode("latin-1"),
        "failed",
    ),
    "nul_bytes": (EXPORT_HEAD.encode() + GOOD + row(1, "W-\x001", "5").encode(), "partly_read"),
    "impossible_date": (
        EXPORT_HEAD.encode()
        + GOOD
        + row(1, "W-1", "5").replace("2026-03-02", "2026-02-30").encode(),
        "partly_read",
    ),
    "unknown_unit": (
        EXPORT_HEAD.encode() + GOOD + row(1, "W-1", "5").replace("mg/L", "furlongs").encode(),
        "partly_read",
    ),
    "missing_column": (
        GOOD_EXPORT.replace("Outcome,", "").replace(",498,", ",").encode(),
        "failed",
    ),
    "extra_cell": (
        EXPORT_HEAD.encode() + GOOD + row(1, "W-1", "5").strip().encode() + b",x\n",
        "partly_read",
    ),
    "no_form": (b"nothing that any form knows\n1 2 3\n", "failed"),
}


@pytest.mark.parametrize("kind", HOSTILE)
def test_bad_input_is_kept_named_and_journalled(lab: Lab, kind: str) -> None:
    data, state = HOSTILE[kind]
    assert lab.arrive(data)
    (capture,) = find_captures(lab.ledger.conn, source="p1")
    assert capture.state == state
    if state != "read":
        assert capture.reason or capture.faults
    assert content_from(lab.ledger.conn, capture) == data
    assert_proven(lab)


def test_two_forms_that_fit_are_said_and_not_guessed(lab: Lab) -> None:
    shipped = str(lab.one("SELECT body FROM inputs WHERE kind = 'form' AND name = 'point_table'"))
    lab.load("other_table.toml", json.loads(shipped)["text"])
    lab.arrive(GOOD_EXPORT)
    (capture,) = find_captures(lab.ledger.conn, source="p1")
    assert capture.state == "failed"
    assert "2 forms fit" in capture.reason
    assert "other_table" in capture.reason


def test_reading_of_an_instrument_the_plan_does_not_know_is_a_fault(
    make_lab: Callable[..., Lab],
) -> None:
    lab = make_lab(plan=None)
    lab.arrive(GOOD_EXPORT)
    (capture,) = find_captures(lab.ledger.conn, source="p1")
    assert capture.state == "partly_read"
    assert len(capture.faults) == 4
    assert lab.one("SELECT count(*) FROM readings") == 0


def test_capture_left_unread_by_a_stop_is_read_at_the_next_start(lab: Lab) -> None:
    from tests.conftest import Arrival, content_sha256

    lab.load("sheet.csv", SHEET)
    data = GOOD_EXPORT.encode()
    lab.pipeline.store(
        Arrival(
            source="p1",
            name="day.csv",
            pieces=(data,),
            size=len(data),
            sha256=content_sha256(data),
            final=True,
            seen_at=lab.clock(),
        )
    )
    assert lab.results() == {}
    assert lab.pipeline.resume() == 1
    assert lab.states() == {"W-1": ("accepted", "1280"), "W-2": ("accepted", "333")}
    assert_proven(lab)


def test_capture_that_keeps_ending_its_reader_is_set_aside(lab: Lab) -> None:
    from tests.conftest import Arrival, content_sha256

    data = GOOD_EXPORT.encode()
    ident = lab.pipeline.store(
        Arrival(
            source="p1",
            name="day.csv",
            pieces=(data,),
            size=len(data),
            sha256=content_sha256(data),
            final=True,
            seen_at=lab.clock(),
        )
    )
    for _ in range(2):  # a start that counts its attempt and is ended while it reads
        assert lab.pipeline._may_try(get_capture(lab.ledger.conn, ident))
    assert not lab.pipeline._may_try(get_capture(lab.ledger.conn, ident))
    capture = get_capture(lab.ledger.conn, ident)
    assert capture.state == "failed"
    assert "3 times" in capture.reason
    assert content_from(lab.ledger.conn, capture) == data


def test_file_over_the_limit_is_recorded_with_size_and_hash_and_not_read(lab: Lab) -> None:
    from tests.conftest import Arrival

    lab.pipeline.arrive(
        Arrival(
            source="p1",
            name="huge.csv",
            pieces=(),
            size=10**9,
            sha256="ab" * 32,
            final=True,
            seen_at=lab.clock(),
            oversize=(10**9, "ab" * 32),
        )
    )
    (capture,) = find_captures(lab.ledger.conn, source="p1")
    assert (capture.state, capture.size, capture.sha256) == ("failed", 10**9, "ab" * 32)
    assert "over the size limit" in capture.reason
    assert_proven(lab)


def test_large_file_is_read_in_slices_with_the_same_outcome(
    lab: Lab, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ingestd.pipeline.pipeline.SLICE_BYTES", 64)
    lab.load("sheet.csv", SHEET)
    assert lab.arrive(GOOD_EXPORT)
    assert lab.states() == {"W-1": ("accepted", "1280"), "W-2": ("accepted", "333")}
    (capture,) = find_captures(lab.ledger.conn, source="p1")
    assert (capture.state, capture.readings) == ("read", 4)
    assert_proven(lab)


def test_identical_rows_without_number_are_two_readings_and_a_copy_repeats_both(lab: Lab) -> None:
    lab.load(
        "no_number.toml",
        'shape = "table"\n[numbers]\ndecimal = "."\n[table]\ndelimiter = ","\n'
        '[fields.datetime]\ncolumn = "When"\npatterns = ["YYYY-MM-DD hh:mm"]\n'
        '[fields.sample]\ncolumn = "Flask"\n[fields.method]\ncolumn = "What"\n'
        '[fields.value]\ncolumn = "Reads"\n[fields.unit]\nconstant = "mg/L"\n',
    )
    line = "2026-03-02 10:50,W-1,COD-HR,640\n"
    lab.arrive("When,Flask,What,Reads\n" + line, name="a.csv", final=False)
    lab.arrive("When,Flask,What,Reads\n" + line * 2, name="a.csv", final=False)
    assert lab.one("SELECT count(*) FROM readings") == 2
    lab.arrive("When,Flask,What,Reads\n" + line * 2, name="b.csv")
    assert lab.one("SELECT count(*) FROM readings") == 2
    lab.arrive("When,Flask,What,Reads\n" + line * 3, name="c.csv")
    assert lab.one("SELECT count(*) FROM readings") == 3
    assert_proven(lab)


def test_sheet_of_another_lot_or_unknown_method_is_refused_whole(lab: Lab) -> None:
    with pytest.raises(ValueError, match="method") as caught:
        lab.load("sheet.csv", SHEET.replace("COD-HR", "COD-XX"))
    assert "COD-XX" in str(caught.value)
    assert lab.one("SELECT count(*) FROM runs") == 0
    (capture,) = find_captures(lab.ledger.conn, state="failed")
    assert capture.name == "sheet.csv"
    assert_proven(lab)


def test_expired_lot_refuses_or_holds_with_the_lot_named(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET.replace("1+1,K1", "1+1,OLD"))
    lab.arrive(GOOD_EXPORT)
    assert lab.results()["W-1"].state in ("held", "refused")
    assert lab.results()["W-2"].state == "accepted"


def test_sheet_head_alone_is_refused(lab: Lab) -> None:
    with pytest.raises(ValueError, match="no tubes"):
        lab.load("sheet.csv", SHEET_HEAD)


def test_version_overwritten_before_it_could_be_read_is_read_to_its_end(lab: Lab) -> None:
    """Its writer began anew: nothing more comes to it, so it must not wait for more for ever."""
    lab.arrive(EXPORT_HEAD[:30], final=False)
    lab.arrive(GOOD_EXPORT, final=False)
    lab.arrive("no form at all", name="memo.txt", final=False)
    lab.arrive(GOOD_EXPORT, name="memo.txt", final=False)
    states = [c.state for c in find_captures(lab.ledger.conn, kinds=("export",))]
    assert states == ["read", "read", "failed", "read"]


def test_overwritten_version_that_a_stop_left_unread_is_read_to_its_end(lab: Lab) -> None:
    lab.load("sheet.csv", SHEET)
    unread = GOOD_EXPORT.removesuffix("\n").encode()
    for data in (unread, b"another"):
        lab.pipeline.store(
            Arrival(
                source="p1", name="day.csv", pieces=(data,), size=len(data),
                sha256=content_sha256(data), final=False, seen_at=lab.clock(),
            )
        )  # fmt: skip
    lab.pipeline.resume()
    first, second = find_captures(lab.ledger.conn, kinds=("export",))
    assert (first.state, first.readings, len(first.faults)) == ("partly_read", 3, 1)
    assert second.state == "stored", "more may come to it"
