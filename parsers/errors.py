"""What the parsers raise. Two classes, because two different people mend them."""

from collections.abc import Sequence

FOUND_LIMIT = 40


class ParseError(ValueError):
    """Nothing in this capture can be read with this form.

    The capture is kept and marked failed; an admin mends the form and replays.
    """

    def __init__(self, *, offset: int, expected: str, found: str) -> None:
        self.offset = offset
        self.expected = expected
        self.found = found[:FOUND_LIMIT]
        super().__init__(f"byte {offset}: expected {expected}, found {self.found!r}")


class FormError(ValueError):
    """The form itself is wrong.

    It is not used until whoever wrote it mends the key named here.
    """

    def __init__(
        self,
        *,
        form: str,
        key: str,
        problem: str,
        value: object = None,
        allowed: Sequence[str] = (),
    ) -> None:
        self.form = form
        self.key = key
        self.problem = problem
        self.value = value
        self.allowed = tuple(allowed)
        choices = f"; allowed: {', '.join(self.allowed)}" if self.allowed else ""
        got = f" (got {value!r})" if value is not None else ""
        super().__init__(f"form {form}: {key}: {problem}{got}{choices}")
