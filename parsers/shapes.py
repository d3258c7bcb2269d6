"""One call for the three shapes: the bytes of a capture and a form give readings and faults."""

from collections.abc import Iterator

from parsers.forms import Form
from parsers.frame import parse_in_parts as parse_frames_in_parts
from parsers.readings import Parsed, Resume
from parsers.report import ReportReader
from parsers.table import TableReader


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

    There is always at least one part; the last one ends the capture. Once a part with readings
    has come, no ParseError follows.
    """
    if form.shape == "frame":
        yield from parse_frames_in_parts(data, form, final=final, resume=resume)
    elif form.shape == "report":
        yield from ReportReader(form, data, final=final, resume=resume).parts()
    else:
        yield from TableReader(form, data, final=final, resume=resume).parts()
