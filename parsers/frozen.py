"""`@frozen`: an immutable record that costs little to make.

A type checker sees a frozen dataclass with keyword-only fields and refuses every assignment. At
run time the fields are plain slots: the check that a frozen dataclass makes on each of its own
assignments while it is being filled would triple the cost of the millions that a replay makes.
"""

from dataclasses import dataclass
from typing import TypeVar, dataclass_transform

T = TypeVar("T")


@dataclass_transform(frozen_default=True, kw_only_default=True)
def frozen(cls: type[T]) -> type[T]:
    """The class as a slotted, keyword-only dataclass, compared and hashed by its fields."""
    return dataclass(slots=True, kw_only=True, unsafe_hash=True)(cls)
