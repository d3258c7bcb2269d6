"""Bytes in, readings out: pure parsers for layouts that a form declares."""

from collections.abc import Iterator

from parsers.errors import FormError, ParseError
from parsers.forms import Form, load_form
from parsers.readings import Fault, Parsed, Reading, Resume, Span
from parsers.table import TableReader

__all__ = [
    "Fault",
    "Form",
    "FormError",
    "ParseError",
    "Parsed",
    "Reading",
    "Resume",
    "Span",
    "load_form",
    "parse",
    "parse_in_parts",
]


def parse(data: bytes, form: Form, *, final: bool = True, resume: Resume | None = None) -> Parsed:
    """All readings and faults of one capture.

    Args:
        data: the capture; with `resume`, its bytes from `resume.offset` on.
        form: the layout to read it by.
        final: False while the file may still grow; what is unfinished is then no fault.
        resume: what an earlier call gave for the first part of the same capture.

    Returns:
        Readings and faults in file order, with offsets in the whole capture.

    Raises:
        ParseError: nothing here can be read with this form.
    """
    parts = list(parse_in_parts(data, form, final=final, resume=resume))
    return Parsed(
        readings=tuple(reading for part in parts for reading in part.readings),
        faults=tuple(fault for part in parts for fault in part.faults),
        complete_to=parts[-1].complete_to,
        resume=parts[-1].resume,
    )


def parse_in_parts(
    data: bytes, form: Form, *, final: bool = True, resume: Resume | None = None
) -> Iterator[Parsed]:
    """What `parse` gives, some thousand readings at a time, so that memory stays small.

    The last part has the final `complete_to` and `resume`; there is always at least one. A
    ParseError may come after parts that were good (it never does for a table or report whose
    first header or block was found).
    """
    yield from TableReader(form, data, final=final, resume=resume).parts()
