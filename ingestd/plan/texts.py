"""A text that may stand in a plan: visible characters, no formula, of bounded length."""

import re

from ingestd.plan.faults import ValueRefused

NAME_LIMIT = 80
NOTE_LIMIT = 200

_SIGNED_NUMBER = re.compile(r"[+-][0-9][0-9.]*")

# What spreadsheets write where a formula failed.
_ERROR_VALUES = frozenset({"#NULL!", "#DIV/0!", "#VALUE!", "#REF!", "#NAME?", "#NUM!", "#N/A"})


def parse_note(text: str) -> str:
    """Return a free text of at most 200 characters, unchanged.

    Raises:
        ValueRefused: it holds an invisible character (a no-break blank or NUL, say), or is longer.

    """
    return _visible(text, NOTE_LIMIT)


def parse_name(text: str) -> str:
    """Return a name or code of at most 80 characters, unchanged.

    Raises:
        ValueRefused: it holds an invisible character, or is longer.

    """
    return _visible(text, NAME_LIMIT)


def check_cell(text: str) -> None:
    """Pass where the text of a cell is what a person wrote, rather than a formula.

    A text that begins with `=`, `+`, `-` or `@` runs as a formula wherever it is opened in a
    spreadsheet again, in exported results too. A signed number does no harm; its column judges.

    Raises:
        ValueRefused: it is a formula, or a spreadsheet's error value.

    """
    if text.startswith(("=", "+", "-", "@")) and not _SIGNED_NUMBER.fullmatch(text):
        raise ValueRefused(
            f"the cell begins with {text[0]} and would run as a formula in a spreadsheet",
            "write the value itself, or leave the cell empty",
        )
    if text in _ERROR_VALUES:
        raise ValueRefused("the cell is a spreadsheet's error value", "write the value itself")


def _visible(text: str, most: int) -> str:
    if not text.isprintable():
        at, bad = next((at, c) for at, c in enumerate(text, 1) if not c.isprintable())
        raise ValueRefused(
            f"character {at} is invisible (U+{ord(bad):04X})",
            "remove it, write blanks as ordinary ones and everything on one line",
        )
    if len(text) > most:
        raise ValueRefused(
            f"the text has {len(text)} characters, more than {most}", f"shorten it to {most}"
        )
    return text
