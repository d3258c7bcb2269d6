"""Folders to watch, and sources that watch them and end with the test."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.ingestd.sources.watched import DEADLINE_S, Watched


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    path = tmp_path / "exports"
    path.mkdir()
    return path


@pytest.fixture
def watch(folder: Path) -> Iterator[Callable[..., Watched]]:
    """Makes sources on `folder` (or on `path`), and ends them."""
    running: list[Watched] = []

    def make(path: Path = folder, **keys: Any) -> Watched:
        running.append(Watched(path, **keys))
        return running[-1].start()

    yield make
    for one in running:
        one.source.stop()
    for one in running:
        one.source.join(DEADLINE_S)
        assert not one.source.status().is_alive
