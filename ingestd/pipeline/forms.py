"""The forms in force: shipped ones and the site's own, as the ledger pins them."""

import hashlib
from collections.abc import Iterable
from functools import lru_cache
from importlib.resources import files

import parsers
from ingestd.ledger.inputs import InForce, take_body
from ingestd.ledger.store import Change
from parsers import Form


def shipped_forms() -> dict[str, bytes]:
    """The TOML text of each form shipped with the program, by name."""
    folder = files("parsers") / "forms"
    return {
        entry.name.removesuffix(".toml"): entry.read_bytes()
        for entry in sorted(folder.iterdir(), key=lambda entry: entry.name)
        if entry.name.endswith(".toml")
    }


@lru_cache(maxsize=256)
def _load(text: str, name: str) -> Form:
    return parsers.load_form(text.encode(), name)


def take_form(change: Change, name: str, data: bytes, *, capture: int | None) -> bool:
    """Put a form into force; returns False if it already says the same.

    Raises:
        FormError: the form is wrong.
    """
    form = parsers.load_form(data, name)
    return take_body(
        change,
        "form",
        form.name,
        {"text": data.decode("utf-8")},
        capture=capture,
        sha256=hashlib.sha256(data).hexdigest(),
    )


def forms_in_force(in_force: InForce, names: Iterable[str] = ()) -> dict[str, Form]:
    """The current forms by name; only those named, where names are given."""
    wanted = set(names)
    return {
        name: _load(body["text"], name)
        for (kind, name), body in in_force.raw.items()
        if kind == "form" and (not wanted or name in wanted)
    }


def frame_forms(in_force: InForce) -> frozenset[str]:
    """Names of the forms in force for serial frames."""
    return _frame_forms(
        tuple(
            (name, body["text"]) for (kind, name), body in in_force.raw.items() if kind == "form"
        )
    )


@lru_cache(maxsize=16)
def _frame_forms(texts: tuple[tuple[str, str], ...]) -> frozenset[str]:
    return frozenset(name for name, text in texts if _load(text, name).shape == "frame")
