"""Every key of the configuration with its default, from the program itself."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from ingestd.config import Config, FolderSource, LineSource


def configuration_keys() -> dict[str, str]:
    """Default of each key by `section.key`; "required" for one without."""
    found: dict[str, str] = {}
    for section, field in Config.model_fields.items():
        if section == "source":
            for model in (FolderSource, LineSource):
                kind = "folder" if model is FolderSource else "line"
                found |= dict(_keys(model, f"source ({kind})"))
        else:
            found |= dict(_keys(_model(field), section))
    return found


def _keys(model: type[BaseModel], section: str) -> Iterator[tuple[str, str]]:
    for name, field in model.model_fields.items():
        inner = _model(field)
        if inner is not None:
            yield from _keys(inner, f"{section}.{name}")
        else:
            yield f"{section}.{name}", _default(field)


def _model(field: FieldInfo) -> Any:
    for one in (field.annotation, *get_args(field.annotation)):
        if isinstance(one, type) and issubclass(one, BaseModel):
            return one
    return None


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "required"
    value = field.default
    if value is None or value in ("", ()):
        return ""
    if isinstance(value, Path):
        value = str(value)
    return json.dumps(value, default=list, ensure_ascii=False)
