r"""A form: a checked description of one layout of plain text or CSV, read from TOML.

A form says where each field stands and how it is written; it never holds code. Everything that
can be wrong in it is found here, before any capture is read, and named by its key. The shapes
(`table`, `report`, `frame`) may therefore trust what they are given.

Bytes that cannot be typed (STX, ETX, CR) are written in TOML with its own escapes, such as
"\u0002" or "\r"; each character stands for the byte of the same number.
"""

import re
import tomllib
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from parsers.errors import FormError
from parsers.form_checks import check_whole
from parsers.form_keys import (
    DATE_PARTS,
    STANDARD_KINDS,
    FieldRules,
    Kind,
    NumberRules,
    Shape,
    TextRules,
)
from parsers.form_model import (
    ChecksumRules,
    Form,
    FrameRules,
    LengthField,
    ReportRules,
    TableRules,
    WideRules,
)

__all__ = [
    "DATE_PARTS",
    "STANDARD_KINDS",
    "ChecksumRules",
    "FieldRules",
    "Form",
    "FrameRules",
    "Kind",
    "LengthField",
    "NumberRules",
    "ReportRules",
    "Shape",
    "TableRules",
    "TextRules",
    "WideRules",
    "load_form",
]

_TIME_FIELDS = ("datetime", "date", "time")


def load_form(data: bytes, name: str) -> Form:
    """A checked form from its TOML bytes.

    Args:
        data: the TOML file.
        name: what the form is called in messages, captures and results.

    Raises:
        FormError: names the key, its value and what is allowed there.
    """
    try:
        tree = tomllib.loads(data.decode("utf-8"))
    except UnicodeDecodeError as error:
        raise FormError(
            form=name, key="(file)", problem=f"byte {error.start} is not UTF-8"
        ) from None
    except tomllib.TOMLDecodeError as error:
        raise FormError(form=name, key="(file)", problem=f"is not TOML: {error}") from None
    if "name" in tree:
        raise FormError(form=name, key="name", problem="comes from the file name; leave it out")
    try:
        form = Form.model_validate({**_lists_as_tuples(tree), "name": name})
    except ValidationError as error:
        raise _explained(error, name) from None
    check_whole(form)
    if form.identity:
        return form
    return form.model_copy(update={"identity": _default_identity(form)})


def _lists_as_tuples(value: Any) -> Any:
    if isinstance(value, list):
        return tuple(_lists_as_tuples(item) for item in value)
    if isinstance(value, dict):
        return {key: _lists_as_tuples(item) for key, item in value.items()}
    return value


def _explained(error: ValidationError, name: str) -> FormError:
    """The first fault pydantic found, in the form's own words."""
    faults = error.errors()
    # A key that is not known is most often the misspelt one that another fault misses.
    first = min(faults, key=lambda fault: fault["type"] != "extra_forbidden")
    key = ".".join(str(part) for part in first["loc"]) or "(file)"
    more = f" (and {len(faults) - 1} more)" if len(faults) > 1 else ""
    allowed: tuple[str, ...] = ()
    problem = first["msg"].removeprefix("Value error, ")
    value = first["input"]
    if first["type"] == "extra_forbidden":
        problem = "is not a key of the form language"
        allowed = _keys_at(first["loc"][:-1])
    elif first["type"] == "missing":
        problem, value = "is missing", None
    elif first["type"] == "literal_error":
        problem = "is not one of the allowed values"
        allowed = tuple(re.findall(r"'([^']*)'", first["ctx"]["expected"]))
    if isinstance(value, BaseModel | dict):
        value = None
    return FormError(form=name, key=key, problem=problem + more, value=value, allowed=allowed)


def _keys_at(path: tuple[int | str, ...]) -> tuple[str, ...]:
    """Keys that the form language knows at `path`, sorted."""
    model: Any = Form
    for part in path:
        if isinstance(part, int):
            continue
        # A name that is no key of the model is the name of a field of the form: the model stays.
        if part in model.model_fields:
            model = _model_in(model.model_fields[part].annotation)
    names = set(model.model_fields) - ({"name"} if model is Form else set())
    return tuple(sorted(names))


def _model_in(annotation: Any) -> Any:
    """The rules class inside `X | None`, `dict[str, X]` or `tuple[X, ...]`."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    inside = map(_model_in, get_args(annotation))
    return next((found for found in inside if found is not None), None)


def _default_identity(form: Form) -> tuple[str, ...]:
    """The sequence number; without one printed time, sample, method and raw value."""
    is_wide = form.table is not None and form.table.wide is not None
    known = set(form.fields) | ({"method", "value"} if is_wide else set())
    wanted = ("sequence",) if "sequence" in known else (*_TIME_FIELDS, "sample", "value")
    names = [name for name in wanted if name in known]
    if "method" in known and (is_wide or "sequence" not in known):
        names.insert(-1 if names[-1:] == ["value"] else len(names), "method")
    return tuple(names)
