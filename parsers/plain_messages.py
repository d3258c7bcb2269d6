"""Runs of frames whose messages are plain rows are read column by column, as those of a table."""

from collections.abc import Sequence

from parsers.assembly import Assembler
from parsers.columns import ColumnReader
from parsers.framer import Frame
from parsers.plain_rows import LONGEST_RUN, SHORTEST_RUN, PlainRows
from parsers.readings import Reading
from parsers.rows import RowPlaces
from parsers.text import encoded_width


class PlainMessages:
    """Reads runs of whole frames of one form."""

    def __init__(self, rows: PlainRows, encoding: str) -> None:
        self._rows = rows
        self._encoding = encoding
        self._step = SHORTEST_RUN

    @classmethod
    def fitting(cls, assembler: Assembler) -> "PlainMessages | None":
        """A reader for frames of this form; None where it asks for more than plain rows."""
        form = assembler.form
        rules = form.frame
        if rules is None or rules.layout != "delimited" or len(rules.delimiter) != 1:
            return None
        if rules.cells is None or rules.cells < 2:
            return None
        places = tuple(
            (name, field.position - 1)
            for name, field in form.fields.items()
            if field.position is not None
        )
        if any(at >= rules.cells for _, at in places):
            return None
        columns = ColumnReader.fitting(assembler, [name for name, _ in places], {})
        if columns is None:
            return None
        encoding = (form.text.encodings or ("utf-8",))[0]
        row_places = RowPlaces(
            delimiter=rules.delimiter,
            columns=places,
            divide=assembler.divide,
            supplied=columns.supplied_texts,
            supplied_spans=columns.supplied_spans,
            width=encoded_width(encoding),
        )
        return cls(PlainRows(columns, row_places, rules.cells), encoding)

    def read(self, frames: Sequence[Frame]) -> list[Reading]:
        """Readings of the frames up to the first that has to be read by itself."""
        readings: list[Reading] = []
        while len(readings) < len(frames):
            run = frames[len(readings) : len(readings) + self._step]
            made = self._read(run)
            readings += made
            if len(made) < len(run):
                self._step = SHORTEST_RUN
                break
            self._step = min(2 * self._step, LONGEST_RUN)
        return readings

    def _read(self, frames: Sequence[Frame]) -> list[Reading]:
        texts: list[str] = []
        try:
            for frame in frames:
                texts.append(frame.payload.decode(self._encoding))
        except UnicodeDecodeError:
            frames = frames[: len(texts)]
        return self._rows.read(
            texts,
            [frame.offset + frame.payload_start for frame in frames],
            edges=[(frame.offset, frame.offset + len(frame.data)) for frame in frames],
            lines=[0] * len(frames),
            is_printable=False,
        )
