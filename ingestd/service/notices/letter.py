"""A notice as it is sent: pure, from matters to text, JSON and identity."""

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from ingestd.service.notices.matters import HEADINGS, Matter
from ingestd.times import stamp

SHOWN = 20  # of each kind; the rest is counted


@dataclass(frozen=True, slots=True, kw_only=True)
class Letter:
    """One notice.

    Attributes:
        ident: the same however often it is tried: whoever gets it twice can know it.
        matters: keys of what it tells.
        body: the same as JSON.
    """

    ident: str
    subject: str
    text: str
    body: bytes
    at: datetime
    matters: tuple[str, ...]


def write_letter(site: str, matters: Sequence[Matter], *, at: datetime) -> Letter:
    """The notice that tells of these matters.

    Args:
        site: the laboratory's name.
        matters: at least one.
        at: the present instant, UTC.
    """
    count = len(matters)
    subject = f"{site}: {count} {'matter needs' if count == 1 else 'matters need'} a hand"
    keys = tuple(one.key for one in matters)
    digest = hashlib.sha256("\n".join([site, stamp(at), *keys]).encode()).hexdigest()
    body = {
        "type": "matters.waiting",
        "timestamp": stamp(at),
        "data": {
            "site": site,
            "count": count,
            "matters": [
                {"key": one.key, "kind": one.kind, "text": one.text}
                for kind in HEADINGS
                for one in _shown(matters, kind)
            ],
        },
    }
    return Letter(
        ident=f"ingestd-{digest[:32]}",
        subject=" ".join(subject.split()),
        text=_text(matters),
        body=json.dumps(body, ensure_ascii=False).encode(),
        at=at,
        matters=keys,
    )


def _shown(matters: Sequence[Matter], kind: str) -> list[Matter]:
    return [one for one in matters if one.kind == kind][:SHOWN]


def _text(matters: Sequence[Matter]) -> str:
    parts = []
    for kind, heading in HEADINGS.items():
        shown = _shown(matters, kind)
        if not shown:
            continue
        more = sum(one.kind == kind for one in matters) - len(shown)
        lines = [f"{heading}:", *(f"  - {one.text}" for one in shown)]
        if more:
            lines.append(f"  - and {more} more")
        parts.append("\n".join(lines))
    parts.append("Nothing of this is told again while it lasts. `ingestd status` shows all of it.")
    return "\n\n".join(parts) + "\n"
