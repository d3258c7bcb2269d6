"""The values of the parsers take no misspelt attribute, and few of them can be changed."""

import dataclasses
import importlib
import inspect
import pkgutil
from collections.abc import Iterator

import pytest

import parsers


def values() -> Iterator[type]:
    for found in pkgutil.walk_packages(parsers.__path__, "parsers."):
        module = importlib.import_module(found.name)
        for thing in vars(module).values():
            if inspect.isclass(thing) and thing.__module__ == found.name:
                yield thing


DATA = [kind for kind in values() if dataclasses.is_dataclass(kind)]


def is_frozen(kind: type) -> bool:
    """At run time, or by `parsers.frozen`, which leaves the check to the type checker."""
    settings = vars(kind)["__dataclass_params__"]
    return bool(settings.frozen or settings.unsafe_hash)


@pytest.mark.parametrize("kind", DATA, ids=str)
def test_value_is_slotted(kind: type) -> None:
    assert "__slots__" in vars(kind)


def test_only_what_is_filled_while_reading_can_be_changed() -> None:
    changeable = {f"{kind.__module__}.{kind.__name__}" for kind in DATA if not is_frozen(kind)}
    assert changeable == {"parsers.naming.Column", "parsers.report._Block", "parsers.text.Lines"}
