"""Every fixture of a table or report, delivered in every way a file can arrive."""

import json
import re
from dataclasses import fields as fields_of
from dataclasses import replace
from datetime import datetime
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from parsers import Form, Parsed, ParseError, Reading, load_form, parse

ROOT = Path(__file__).parents[2]
FORMS = ROOT / "parsers" / "forms"
CASES = sorted(
    path.parent.relative_to(ROOT / "fixtures").as_posix()
    for path in (ROOT / "fixtures").glob("*/*/expected.json")
    if (path.parent / "form.toml").exists() or (FORMS / f"{path.parent.parent.name}.toml").exists()
)


@cache
def form_of(case: str) -> Form:
    own = ROOT / "fixtures" / case / "form.toml"
    name = case.split("/", maxsplit=1)[0]
    path = own if own.exists() else FORMS / f"{name}.toml"
    return load_form(path.read_bytes(), name)


@cache
def bytes_of(case: str) -> bytes:
    return next((ROOT / "fixtures" / case).glob("input.*")).read_bytes()


@cache
def expected_of(case: str) -> dict[str, Any]:
    return json.loads((ROOT / "fixtures" / case / "expected.json").read_text("utf-8"))


LINED = [case for case in CASES if form_of(case).shape != "frame"]
READABLE = [case for case in LINED if "parse_error" not in expected_of(case)]
CLEAN = [case for case in READABLE if not expected_of(case)["faults"]]


def outcome(data: bytes, form: Form, **how: Any) -> Parsed | ParseError:
    try:
        return parse(data, form, **how)
    except ParseError as error:
        return error


def as_expected(reading: Reading, wanted: dict[str, Any]) -> dict[str, Any]:
    """The reading in the words of expected.json, as far as that file says anything."""
    plain = {
        "line": reading.line,
        "method": reading.method,
        "sample": reading.sample,
        "value": None if reading.value is None else str(reading.value),
        "censored": reading.censored,
        "unit": reading.unit,
        "basis": reading.basis,
        "measured_at": reading.measured_at and reading.measured_at.isoformat(),
        "absorbance": None if reading.absorbance is None else str(reading.absorbance),
        "dilution": None if reading.dilution is None else str(reading.dilution),
    }
    plain = {key: value for key, value in plain.items() if value not in (None, "")}
    if "identity" in wanted:
        plain["identity"] = list(reading.identity)
    if "fields" in wanted:
        plain["fields"] = {name: reading.fields[name] for name in wanted["fields"]}
    return plain


def assert_spans_show_fields(parsed: Parsed, data: bytes, form: Form) -> None:
    """The bytes at each span are the field's text, but for quotes that are doubled."""
    codec = codec_of(data, form)
    quote = form.table.quote if form.table else ""
    for reading in parsed.readings:
        for name, span in reading.spans.items():
            text = data[span.start : span.end].decode(codec)
            if quote and quote in reading.fields[name]:
                text = text.replace(quote * 2, quote)
            assert text == reading.fields[name], name
            assert 0 <= span.start < span.end <= len(data)
        for name in set(reading.fields) - set(reading.spans):
            rules = form.fields.get(name)
            if rules is not None and name not in ("method", "unit"):
                assert reading.fields[name] in (rules.constant, rules.default)


def codec_of(data: bytes, form: Form) -> str:
    for mark, codec in ((b"\xff\xfe", "utf-16-le"), (b"\xfe\xff", "utf-16-be")):
        if data.startswith(mark):
            return codec
    for name in form.text.encodings or ("utf-8",):
        try:
            codec = name.replace("windows-", "cp")
            data.decode(codec)
        except UnicodeDecodeError:
            continue
        return codec
    return "latin-1"


def meaning(parsed: Parsed) -> list[tuple[object, ...]]:
    """Readings without their places, as text."""
    return [
        (
            *(str(getattr(r, f.name)) for f in fields_of(Reading)[:12] if f.name != "sequenced"),
            sorted(r.fields.items()),
        )
        for r in parsed.readings
    ]


@pytest.mark.parametrize("case", LINED)
def test_whole_file_gives_exactly_what_is_expected(case: str) -> None:
    got = outcome(bytes_of(case), form_of(case))
    wanted = expected_of(case)
    if isinstance(got, ParseError):
        found = {"offset": got.offset, "expected": got.expected, "found": got.found}
        assert found == wanted.get("parse_error")
        return
    assert "parse_error" not in wanted
    assert len(got.readings) == len(wanted["readings"])
    for reading, one in zip(got.readings, wanted["readings"], strict=True):
        assert as_expected(reading, one) == one
    faults = [
        {"offset": f.offset, "line": f.line, "field": f.field, "expected": f.expected}
        | {"found": f.found}
        for f in got.faults
    ]
    assert faults == wanted["faults"]
    assert got.complete_to == len(bytes_of(case))
    assert_spans_show_fields(got, bytes_of(case), form_of(case))


def ends(case: str) -> list[int]:
    """Where the file is cut: anywhere, in damaged cases beside its line ends."""
    data = bytes_of(case)
    return [
        end
        for end in range(len(data) + 1)
        if case in CLEAN or {b"\r", b"\n"} & {data[end - 1 : end], data[end : end + 1]}
    ] + [len(data)]


@pytest.mark.parametrize("case", READABLE)
def test_growing_file_never_gives_a_reading_that_the_whole_does_not(case: str) -> None:
    data, form = bytes_of(case), form_of(case)
    whole = parse(data, form)
    before = 0
    for end in ends(case):
        got = outcome(data[:end], form, final=False)
        assert isinstance(got, Parsed), f"{end} bytes: {got}"
        assert got.readings == whole.readings[: len(got.readings)], end
        assert got.faults == whole.faults[: len(got.faults)], end
        assert before <= got.complete_to <= end
        assert all(r.span.end <= got.complete_to for r in got.readings)
        assert len(got.readings) == sum(
            r.span.end < got.complete_to or r.span.end == got.complete_to == end
            for r in whole.readings
            if r.span.end <= got.complete_to
        )
        before = got.complete_to


@pytest.mark.parametrize("case", READABLE)
def test_resumed_anywhere_gives_what_the_whole_gives(case: str) -> None:
    data, form = bytes_of(case), form_of(case)
    whole = parse(data, form)
    for end in ends(case):
        first = parse(data[:end], form, final=False)
        assert first.resume is not None
        resume = replace(first.resume, state=json.loads(json.dumps(first.resume.state)))
        assert resume.offset <= end
        second = parse(data[resume.offset :], form, resume=resume)
        assert first.readings + second.readings == whole.readings, end
        assert first.faults + second.faults == whole.faults, end
        assert second.complete_to == len(data)


@pytest.mark.parametrize("case", CLEAN)
def test_file_read_in_single_bytes_gives_what_the_whole_gives(case: str) -> None:
    data, form = bytes_of(case), form_of(case)
    whole = parse(data, form)
    resume = None
    readings: list[Reading] = []
    at = 0
    for end in range(len(data) + 1):
        got = parse(data[at:end], form, final=False, resume=resume)
        readings += got.readings
        resume = got.resume
        assert resume is not None
        at = resume.offset
    last = parse(data[at:], form, resume=resume)
    assert tuple(readings) + last.readings == whole.readings
    assert last.faults == ()


@pytest.mark.parametrize("case", [c for c in CLEAN if form_of(c).table or "label" in c])
def test_next_reading_behind_it_leaves_the_first_ones_as_they_are(case: str) -> None:
    data, form = bytes_of(case), form_of(case)
    whole = parse(data, form)
    if not whole.readings or form.text.last_line == "any" or (form.table and form.table.end):
        again = whole
    else:
        last = whole.readings[-1].span
        tail = data[last.start :]
        again = parse(
            data + ("\n".encode(codec_of(data, form)) if form.report else b"") + tail, form
        )
        assert len(again.readings) > len(whole.readings)
    assert again.readings[: len(whole.readings)] == whole.readings


@pytest.mark.parametrize("case", CLEAN)
def test_cut_anywhere_shows(case: str) -> None:
    data, form = bytes_of(case), form_of(case)
    whole = parse(data, form)
    for end in range(len(data)):
        got = outcome(data[:end], form)
        if isinstance(got, ParseError) or got.faults:
            continue
        for reading in got.readings:
            if reading not in whole.readings:
                assert reading.span.end >= end - 2, f"cut at {end}"


def flips(byte: int, at: int) -> set[int]:
    """A changed bit, and a byte with a meaning of its own, other ones at each place."""
    others = (byte ^ 8, 0x0A, byte ^ 0x20, 0x22, byte ^ 0x80, 0x2C, byte ^ 2)
    return {byte ^ 1, others[at % 7]} - {byte}


@pytest.mark.parametrize("case", CLEAN)
def test_changed_byte_is_never_a_silent_misreading(case: str) -> None:
    data, form = bytes_of(case), form_of(case)
    whole = parse(data, form)
    wanted = meaning(whole)
    for at, byte in enumerate(data):
        for other in flips(byte, at):
            changed = data[:at] + bytes([other]) + data[at + 1 :]
            got = outcome(changed, form)
            if isinstance(got, ParseError) or got.faults:
                continue
            if meaning(got) == wanted:
                continue
            assert shows(got, wanted, at), f"byte {at}: {byte:#x} -> {other:#x}\n{changed!r}"


def shows(got: Parsed, wanted: list[tuple[object, ...]], at: int) -> bool:
    """Some reading that differs has the changed byte in, or right beside, one of its fields.

    A field that is now empty has no place of its own; there the reading's own place must hold
    the changed byte.
    """
    names = {name for one in wanted for name, _ in one[-1]}
    for reading, text in zip(got.readings, meaning(got), strict=True):
        if text not in wanted:
            spans = list(reading.spans.values())
            if names - set(reading.fields):
                spans.append(reading.span)
            if any(span.start - 4 <= at <= span.end + 4 for span in spans):
                return True
    return False


@pytest.mark.parametrize("case", READABLE)
def test_field_asked_for_alone_is_what_all_of_them_hold(case: str) -> None:
    form = form_of(case)
    for reading in parse(bytes_of(case), form).readings:
        fields = reading.fields
        for name in {*form.fields, *fields, "unit"}:
            assert reading.printed.field(name) == fields.get(name, "")


def test_fixtures_are_of_many_layouts_and_say_where_their_bytes_come_from() -> None:
    layouts = {case.split("/")[0] for case in CLEAN}
    assert len(layouts) >= 12
    for case in LINED:
        text = (ROOT / "fixtures" / case / "SOURCE.md").read_text("utf-8")
        assert re.search("made up", text)


def test_expected_values_are_the_printed_digits() -> None:
    for case in CLEAN:
        for one in expected_of(case)["readings"]:
            if "value" in one:
                assert str(Decimal(one["value"])) == one["value"]
            if "measured_at" in one:
                assert datetime.fromisoformat(one["measured_at"])
