"""The constraints written beside the plan's values, asked for and answered in plain words."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

from pydantic import TypeAdapter, ValidationError
from pydantic_core import ErrorDetails

from ingestd.plan.faults import shown

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Broken:
    """One constraint that a value breaks; `path` leads to it from the outermost key."""

    path: tuple[str | int, ...]
    value: str
    problem: str
    remedy: str


def constrain(
    adapter: TypeAdapter[T], values: Mapping[str, Any]
) -> tuple[T, None] | tuple[None, list[Broken]]:
    """Return the checked value and None, or None and every constraint that is broken."""
    try:
        return adapter.validate_python(values), None
    except ValidationError as error:
        return None, [_in_words(detail) for detail in error.errors(include_url=False)]


def _in_words(detail: ErrorDetails) -> Broken:
    kind, context = detail["type"], detail.get("ctx", {})
    path = tuple(detail["loc"])
    match kind:
        case "missing":
            return Broken(path=path, value="", problem="this is missing", remedy="write it")
        case "greater_than":
            problem, remedy = "the number is too small", f"write one above {context['gt']}"
        case "greater_than_equal":
            problem, remedy = "the number is too small", f"write one of {context['ge']} or more"
        case "literal_error" | "enum":
            problem, remedy = "this is not one of its values", f"write {context['expected']}"
        case "string_too_short":
            problem, remedy = "this is empty", "write a text"
        case "string_too_long":
            limit = context["max_length"]
            problem = f"the text is longer than {limit} characters"
            remedy = f"shorten it to {limit}"
        case "string_pattern_mismatch":
            problem = "the text begins or ends with a blank, or is blank"
            remedy = "remove the blanks around it"
        case _:
            problem, remedy = detail["msg"], "correct it"
    return Broken(path=path, value=shown(detail["input"]), problem=problem, remedy=remedy)
