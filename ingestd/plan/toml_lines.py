"""The line on which a key of a TOML text stands, as far as its headers tell.

The TOML reader keeps no positions. Headers are counted instead: the n-th `[[method]]` header is
the n-th method. Where the count does not fit (tables written inline, headers inside a long
string) no line is named rather than a wrong one.
"""

import re
from dataclasses import dataclass

_HEADER = re.compile(r"\s*(\[\[?)([^\[\]=#]+)\]\]?\s*(?:#.*)?")
_KEY = re.compile(r"\s*[\"']?([A-Za-z0-9_-]+)[\"']?\s*[.=]")

Path = tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class _Header:
    line: int
    name: str
    is_array: bool

    def is_within(self, name: str) -> bool:
        return self.name.startswith(name + ".")


class TomlLines:
    """Headers and keys of one TOML text, by line."""

    def __init__(self, text: str) -> None:
        self._lines = text.splitlines()
        self._headers = [
            _Header(number, re.sub(r"[\s\"']", "", match[2]), match[1] == "[[")
            for number, line in enumerate(self._lines, 1)
            if (match := _HEADER.fullmatch(line))
        ]

    def find(self, table: str, index: int, count: int, path: Path = ()) -> int:
        """Return the line of a key of the table, else of its header, else 0.

        Args:
            table: name of the array of tables, e.g. `method`.
            index: which of them, from 0.
            count: how many there are.
            path: keys from there inwards, with the index behind the name of an array.

        """
        tops = [h for h in self._headers if h.is_array and h.name == table]
        if len(tops) != count:
            return 0
        header = tops[index]
        within = self._until(header, self._headers, table)
        rest = path
        while rest:
            array = len(rest) > 1 and isinstance(rest[1], int)
            name = f"{header.name}.{rest[0]}"
            inner = [h for h in within if h.name == name and h.is_array == array]
            at = rest[1] if array else 0
            if not isinstance(at, int) or at >= len(inner):
                break
            header = inner[at]
            within = self._until(header, within, name)
            rest = rest[2 if array else 1 :]
        return self._line_of_key(str(rest[0]), header.line) if rest else header.line

    def line_of(self, key: str) -> int:
        """Return the first line on which a top-level key or table of that name begins, else 0."""
        for header in self._headers:
            if header.name == key or header.is_within(key):
                return header.line
        return self._line_of_key(key, 0)

    def _until(self, start: _Header, headers: list[_Header], name: str) -> list[_Header]:
        """Return the headers behind `start` that still belong to the table it opens."""
        inside = []
        for header in headers:
            if header.line > start.line:
                if not header.is_within(name):
                    break
                inside.append(header)
        return inside

    def _line_of_key(self, key: str, start: int) -> int:
        for number, line in enumerate(self._lines[start:], start + 1):
            if _HEADER.fullmatch(line):
                break
            match = _KEY.match(line)
            if match and match[1] == key:
                return number
        return start
