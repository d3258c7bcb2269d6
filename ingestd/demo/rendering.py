"""A serial message as an instrument would send it, from a form of shape frame and texts."""

from collections.abc import Mapping
from datetime import date, datetime

from parsers.checksums import CHECKSUMS
from parsers.forms import DATE_PARTS, Form, FrameRules, LengthField


def render_frame(form: Form, values: Mapping[str, str]) -> bytes:
    """The bytes of one frame that holds the texts `values`, by field name.

    Fields that are not given are left empty. What `parsers.frame` reads from the result is what
    was given: a text that could not be told from the frame around it is refused.

    Raises:
        ValueError: the form is of another shape, has no such field, or the text does not fit.
    """
    rules = form.frame
    if rules is None:
        raise ValueError(f"form {form.name} is of shape {form.shape}, not frame")
    placed = {name for name, field in form.fields.items() if field.constant is None}
    if unknown := set(values) - placed:
        raise ValueError(f"form {form.name} has no place for {', '.join(sorted(unknown))}")
    layouts = {"delimited": _delimited, "fixed": _fixed, "pairs": _pairs}
    text = layouts[rules.layout](form, rules, values)
    payload = text.encode((form.text.encodings or ("utf-8",))[0])
    for mark in (rules.start, rules.end):
        is_searched = rules.length is None and rules.length_field is None
        if mark and mark in payload and is_searched:
            raise ValueError(f"a text holds {mark!r}, which opens or closes a frame")
    return _wrapped(rules, payload)


def print_time(pattern: str, at: date | datetime, months: tuple[str, ...] = ()) -> str:
    """`at` as an instrument prints it, by a form's pattern such as "DD.MM.YYYY hh:mm:ss"."""
    hour = at.hour if isinstance(at, datetime) else 0
    minute, second = (at.minute, at.second) if isinstance(at, datetime) else (0, 0)
    micro = at.microsecond if isinstance(at, datetime) else 0
    is_halved = "AP" in pattern
    shown_hour = (hour - 1) % 12 + 1 if is_halved else hour
    parts = {
        "YYYY": f"{at.year:04d}",
        "YY": f"{at.year % 100:02d}",
        "MON": months[at.month - 1] if months else "",
        "MM": f"{at.month:02d}",
        "M": str(at.month),
        "DD": f"{at.day:02d}",
        "D": str(at.day),
        "hh": f"{shown_hour:02d}",
        "h": str(shown_hour),
        "mm": f"{minute:02d}",
        "ss": f"{second:02d}",
        "f": f"{micro // 1000:03d}",
        "AP": "AM" if hour < 12 else "PM",
        "ZZ": "+00:00",
    }
    return DATE_PARTS.sub(lambda found: parts.get(found[0], found[0]), pattern)


def _refuse_inside(text: str, marks: tuple[str, ...]) -> str:
    for mark in marks:
        if mark in text:
            raise ValueError(f"text {text!r} holds {mark!r}, which parts cells")
    return text


def _delimited(form: Form, rules: FrameRules, values: Mapping[str, str]) -> str:
    last = max((field.position or 0 for field in form.fields.values()), default=0)
    cells = [""] * (rules.cells or last)
    for name, text in values.items():
        position = form.fields[name].position
        if position is None:
            raise ValueError(f"field {name} has no position")
        cells[position - 1] = _refuse_inside(text, (rules.delimiter,))
    return rules.delimiter.join(cells)


def _fixed(form: Form, rules: FrameRules, values: Mapping[str, str]) -> str:
    width = max((field.end or 0 for field in form.fields.values()), default=0)
    if rules.length is not None:
        width = rules.length - len(rules.start) - len(rules.end) - _check_size(rules)
    line = [" "] * width
    for name, text in values.items():
        field = form.fields[name]
        if field.start is None or field.end is None:
            raise ValueError(f"field {name} has no characters of its own")
        size = field.end - field.start + 1
        if len(text) > size:
            raise ValueError(f"field {name}: {text!r} is longer than its {size} characters")
        line[field.start - 1 : field.end] = text.ljust(size)
    return "".join(line)


def _pairs(form: Form, rules: FrameRules, values: Mapping[str, str]) -> str:
    pairs = []
    for name, field in form.fields.items():
        if field.label and (name in values or field.required != "no"):
            text = _refuse_inside(values.get(name, ""), (rules.delimiter,))
            pairs.append(f"{field.label[0]}{rules.pair_separator}{text}")
    return rules.delimiter.join(pairs)


def _check_size(rules: FrameRules) -> int:
    check = rules.checksum
    if check is None:
        return 0
    return CHECKSUMS[check.name].width * (2 if check.written == "hex" else 1)


def _wrapped(rules: FrameRules, payload: bytes) -> bytes:
    """`payload` with everything that makes it a frame."""
    field = rules.length_field
    if field is not None:
        total = len(rules.start) + field.size + len(payload) + len(rules.end) + _check_size(rules)
        if field.offset != len(rules.start):
            raise ValueError("only a length right behind the start bytes can be rendered")
        payload = _stated(field, total - field.adds) + payload
    body = rules.start + payload
    check = b""
    if rules.checksum is not None:
        rule = rules.checksum
        covered = (rules.start if rule.covers_start else b"") + payload
        covered += rules.end if rule.covers_end else b""
        checksum = CHECKSUMS[rule.name]
        value = checksum.compute(covered)
        if rule.written == "hex":
            check = f"{value:0{2 * checksum.width}X}".encode()
        else:
            check = value.to_bytes(checksum.width, rule.written)
    is_behind = rules.checksum is not None and rules.checksum.place == "after_end"
    frame = body + rules.end + check if is_behind else body + check + rules.end
    size = len(frame)
    if rules.length is not None and size != rules.length:
        raise ValueError(f"the frame has {size} bytes, the form asks for {rules.length}")
    if size > rules.limit:
        raise ValueError(f"the frame has {size} bytes, the form allows {rules.limit}")
    return frame + rules.after


def _stated(field: LengthField, number: int) -> bytes:
    if field.written == "decimal":
        return f"{number:0{field.size}d}".encode()
    if field.written == "hex":
        return f"{number:0{field.size}X}".encode()
    return number.to_bytes(field.size, field.written)
