"""The ways in which export files come into being: at once, by renaming, piece by piece."""

import os
from collections.abc import Callable, Sequence
from pathlib import Path

Pause = Callable[[float], object]
"""Waits so many seconds, or less if the demonstration is to end."""


def drop(path: Path, text: str) -> None:
    """A finished file: written under a temporary name beside it, then renamed into place."""
    unfinished = path.with_name(path.name + ".part")
    unfinished.write_text(text, encoding="utf-8", newline="")
    unfinished.replace(path)


def append_row(path: Path, text: str, pause: Pause) -> None:
    """A row added to a growing file in two strokes, the first of which ends inside a cell."""
    middle = max(len(text) * 2 // 3, 1)
    with path.open("a", encoding="utf-8", newline="") as file:
        file.write(text[:middle])
        file.flush()
        pause(0.03)
        file.write(text[middle:])


def write_in_strokes(path: Path, pieces: Sequence[str], pause: Pause) -> None:
    """A file that its writer keeps open over several writes and closes at the end."""
    with path.open("w", encoding="utf-8", newline="") as file:
        for piece in pieces:
            middle = len(piece) // 2
            for part in (piece[:middle], piece[middle:]):
                file.write(part)
                file.flush()
                os.fsync(file.fileno())
                pause(0.03)
