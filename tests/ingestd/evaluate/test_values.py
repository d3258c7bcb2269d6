"""The values of the judgement cannot be changed once made, and are made by names."""

import dataclasses
import importlib
import inspect
import pkgutil
from collections.abc import Iterator

import pytest

import ingestd.evaluate


def values() -> Iterator[type]:
    package = ingestd.evaluate
    for found in pkgutil.walk_packages(package.__path__, f"{package.__name__}."):
        module = importlib.import_module(found.name)
        for thing in vars(module).values():
            if inspect.isclass(thing) and thing.__module__ == found.name:
                yield thing


DATA = [kind for kind in values() if dataclasses.is_dataclass(kind)]


@pytest.mark.parametrize("kind", DATA, ids=str)
def test_value_is_slotted_and_made_by_names_alone(kind: type) -> None:
    assert "__slots__" in vars(kind), "a misspelt attribute would be taken"
    assert all(one.kw_only for one in dataclasses.fields(kind))


@pytest.mark.parametrize("kind", DATA, ids=str)
def test_value_cannot_be_changed(kind: type) -> None:
    settings = vars(kind)["__dataclass_params__"]
    if settings.unsafe_hash and not settings.frozen:
        return  # made by `parsers.frozen`: the type checker refuses what would change it
    one = object.__new__(kind)
    with pytest.raises(dataclasses.FrozenInstanceError):
        setattr(one, dataclasses.fields(kind)[0].name, 1)


def test_most_values_are_frozen_while_the_program_runs() -> None:
    """Only those of which a replay makes millions are frozen for the type checker alone."""
    hot = {kind.__module__ for kind in DATA if not vars(kind)["__dataclass_params__"].frozen}
    assert hot == {"ingestd.evaluate.identity", "ingestd.evaluate.placing"}
