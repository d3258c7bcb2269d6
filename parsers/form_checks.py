"""What no single key of a form shows to be wrong: keys that contradict or need one another."""

import re
from functools import partial
from itertools import pairwise
from typing import Any, get_args

from parsers.errors import FormError
from parsers.form_keys import DATE_PARTS, STANDARD_KINDS, FieldRules, Kind, Shape
from parsers.form_model import Form, TableRules
from parsers.units import parse_unit

_FIELD_NAME = re.compile(r"[a-z][a-z0-9_]*")


def check_whole(form: Form) -> None:
    """Refuse what no single key shows to be wrong."""

    def wrong(
        key: str, problem: str, value: object = None, allowed: tuple[str, ...] = ()
    ) -> FormError:
        return FormError(form=form.name, key=key, problem=problem, value=value, allowed=allowed)

    for shape in get_args(Shape):
        if (getattr(form, shape) is not None) != (shape == form.shape):
            need = "is missing" if shape == form.shape else f"does not go with shape {form.shape}"
            raise wrong(shape, need)
    if form.frame is not None and any(name.startswith("utf-16") for name in form.text.encodings):
        raise wrong("text.encodings", "a frame is written in one byte a character, or UTF-8")
    for text, meaning in form.units.items():
        if parse_unit(meaning) is None:
            raise wrong(
                f"units.{text}", "is no known unit", meaning, ("g/L", "mg/L", "ug/L", "mmol/L")
            )
    wide = form.table.wide if form.table else None
    for name, rules in form.fields.items():
        _check_field(form, name, rules, wrong)
    if wide is None and not {"value", "absorbance"} & set(form.fields):
        raise wrong("fields", "needs value or absorbance, or [table.wide]")
    gives_unit = any(
        rules.unit_follows or "unit" in _groups_of(rules.column_pattern)
        for rules in form.fields.values()
    )
    if "unit" in form.fields and (gives_unit or (wide and "unit" in _groups_of(wide.pattern))):
        raise wrong("fields.unit", "the unit comes from two places")
    if "method" in form.fields and (
        wide or any("method" in _groups_of(r.column_pattern) for r in form.fields.values())
    ):
        raise wrong("fields.method", "the method comes from two places")
    if form.table is not None:
        _check_table(form, form.table, wrong)
    if "dilution" in form.fields and form.dilution_applied is None:
        raise wrong(
            "dilution_applied",
            "must be stated where the instrument prints a dilution",
            allowed=("true", "false"),
        )
    if form.identity:
        known = set(form.fields) | ({"method", "value"} if wide else set())
        for name in form.identity:
            if name not in known:
                raise wrong(
                    "identity", "names a field that the form lacks", name, tuple(sorted(known))
                )


def _groups_of(pattern: str | None) -> frozenset[str]:
    return frozenset(re.compile(pattern).groupindex) if pattern else frozenset()


def _check_table(form: Form, table: TableRules, wrong: Any) -> None:
    places = {source for rules in form.fields.values() for source in rules.sources}
    if table.has_names and table.wide is None and not places & {"column", "column_pattern"}:
        raise wrong("table.header", "no field is found by a column name", table.header, ("none",))
    if not table.has_names and table.wide is not None:
        raise wrong("table.wide", "needs a header with names")
    if not table.has_names and table.header_pattern is None and "label" in places:
        raise wrong("table.header_pattern", "is missing: which line ends the stated lines?")
    if not table.has_names and table.header_pattern is None and table.blocks == "blank":
        raise wrong("table.blocks", "needs header_pattern where columns have no names")
    for name, rules in form.fields.items():
        if table.cells is not None and rules.position is not None and rules.position > table.cells:
            raise wrong(f"fields.{name}.position", "lies behind the last cell", rules.position)
        if rules.column_pattern is not None and rules.required == "no":
            # A pattern cannot tell an absent column from a misspelt one.
            raise wrong(f"fields.{name}.required", "a column by pattern is never optional", "no")


_SOURCES_OF_SHAPE = {
    "names": ("column", "column_pattern", "position", "label", "constant"),
    "none": ("position", "label", "constant"),
    "fixed": ("start", "label", "constant"),
    "report": ("label", "constant"),
    "frame-delimited": ("position", "constant"),
    "frame-fixed": ("start", "constant"),
    "frame-pairs": ("label", "constant"),
}


def _allowed_sources(form: Form) -> tuple[str, ...]:
    if form.table is not None:
        is_fixed = form.table.delimiter == "fixed"
        return _SOURCES_OF_SHAPE["fixed" if is_fixed else form.table.header]
    if form.frame is not None:
        return _SOURCES_OF_SHAPE[f"frame-{form.frame.layout}"]
    return _SOURCES_OF_SHAPE["report"]


def _check_field(form: Form, name: str, rules: FieldRules, wrong: Any) -> None:
    key = f"fields.{name}"
    if not _FIELD_NAME.fullmatch(name):
        raise wrong(
            key, "a field name is lower-case letters, digits and _, beginning with a letter"
        )
    standard = STANDARD_KINDS.get(name)
    if rules.kind is not None and standard is not None and rules.kind != standard:
        raise wrong(f"{key}.kind", f"{name} is always read as {standard}", rules.kind)
    allowed = _allowed_sources(form)
    if set(rules.below) & set(rules.above) or set(rules.no_value) & {*rules.below, *rules.above}:
        raise wrong(f"{key}.below", "one token cannot mean two things", rules.below)
    is_wide_value = name == "value" and form.table is not None and form.table.wide is not None
    if is_wide_value:
        if rules.sources:
            raise wrong(key, "takes its place from [table.wide]; leave out", rules.sources[0])
    elif len(rules.sources) != 1:
        got = " and ".join(rules.sources) or "none"
        raise wrong(key, f"states exactly one place, not {got}", allowed=allowed)
    elif rules.sources[0] not in allowed:
        raise wrong(f"{key}.{rules.sources[0]}", "does not go with this shape", allowed=allowed)
    kind = form.kind(name)
    if rules.unit_follows and name != "value":
        raise wrong(f"{key}.unit_follows", "goes with the field value only")
    if kind in ("number", "dilution"):
        decimal = rules.decimal or form.numbers.decimal
        thousands = form.numbers.thousands if rules.thousands is None else rules.thousands
        if decimal is None:
            raise wrong(
                f"{key}.decimal", "state the decimal mark here or in [numbers]", allowed=(".", ",")
            )
        if decimal == thousands:
            raise wrong(f"{key}.thousands", "cannot be the decimal mark", thousands)
    if kind in ("date", "time", "datetime") and not rules.patterns:
        raise wrong(
            f"{key}.patterns", f"state how a {kind} is written, such as YYYY-MM-DD hh:mm:ss"
        )
    for pattern in rules.patterns:
        _check_pattern(kind, pattern, partial(wrong, f"{key}.patterns"))


_GROUPS = {"YYYY": "y", "YY": "y", "MON": "m", "MM": "m", "M": "m", "DD": "d", "D": "d"}
_GROUPS |= {"hh": "h", "h": "h", "mm": "i", "ss": "s", "f": "f", "AP": "a", "ZZ": "z"}
_NEEDED = {"date": "ymd", "time": "hi", "datetime": "ymdhi"}
_POSSIBLE = {"date": "ymd", "time": "hisfaz", "datetime": "ymdhisfaz"}


def _check_pattern(kind: Kind, pattern: str, wrong: Any) -> None:
    """Refuse a pattern that states too little, twice the same, or could be cut two ways."""
    parts = [found[0] for found in DATE_PARTS.finditer(pattern)]
    groups = [_GROUPS[part] for part in parts if part in _GROUPS]
    if kind not in _NEEDED:
        raise wrong(f"goes with dates and times, not with {kind}", pattern)
    if len(groups) != len(set(groups)):
        raise wrong("states one part twice", pattern)
    if not set(_NEEDED[kind]) <= set(groups) <= set(_POSSIBLE[kind]):
        raise wrong(f"does not state exactly a {kind}", pattern)
    if ("f" in groups) > ("s" in groups):
        raise wrong("states a fraction without a second", pattern)
    for part, following in pairwise(parts):
        if part in ("M", "D", "h", "f") and following in _GROUPS and following not in ("AP", "ZZ"):
            raise wrong(f"nothing parts {part} from {following}; digits could go to both", pattern)
