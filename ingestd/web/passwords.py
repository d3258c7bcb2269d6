"""Passwords: kept as Argon2id, checked in constant effort, tried only so often.

Source: Argon2id with the parameters that argon2-cffi takes from RFC 9106, section 4, second
recommended option (64 MiB of memory, 3 passes, 4 lanes). Lengths: NIST SP 800-63B-4, section
3.1.1.2 (at least 15 characters where a password stands alone, at least 64 accepted).
"""

import threading
import time
from collections import deque
from collections.abc import Callable
from functools import cache

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from ingestd.errors import Refused

SHORTEST = 15
LONGEST = 1024
WINDOW_S = 15 * 60.0
TRIES_OF_PAIR = 5  # failures of one account from one address in WINDOW_S
TRIES_OF_ACCOUNT = 50  # failures of one account from anywhere
TRIES_OF_ADDRESS = 20  # failures from one address, whatever the account
MOST_KEPT = 10_000

_HASHER = PasswordHasher()
_AT_ONCE = threading.BoundedSemaphore(2)  # each check takes 64 MiB


def hash_password(password: str) -> str:
    """The text that is kept of a password.

    Raises:
        Refused: too short, too long, or one character over and over.
    """
    if len(password) < SHORTEST:
        raise Refused(
            "password",
            f"it has {len(password)} characters, at least {SHORTEST} are needed",
            "four or five unrelated words are easy to keep in mind",
        )
    if len(password) > LONGEST or len(set(password)) < 5:
        raise Refused("password", "it is too long or too uniform", "use several unrelated words")
    with _AT_ONCE:
        return _HASHER.hash(password)


@cache
def _nobody() -> str:
    return _HASHER.hash("nobody signs in with this")


def is_right(kept: str | None, password: str) -> bool:
    """Whether the password is the one kept; as slow for an account that has none."""
    with _AT_ONCE:
        try:
            _HASHER.verify(kept or _nobody(), password[:LONGEST])
        except (VerificationError, InvalidHashError):
            return False
    return kept is not None


class Throttle:
    """Counts failed sign-ins and says how long the next one has to wait.

    Args:
        tick: seconds that only go forward.
    """

    def __init__(self, tick: Callable[[], float] = time.monotonic) -> None:
        self._tick = tick
        self._failures: dict[tuple[str, ...], deque[float]] = {}
        self._lock = threading.Lock()

    def wait_s(self, account: str, address: str) -> float:
        """Seconds until this account may be tried from this address; 0 if at once."""
        now = self._tick()
        with self._lock:
            return max(
                self._wait(("pair", account, address), TRIES_OF_PAIR, now),
                self._wait(("account", account), TRIES_OF_ACCOUNT, now),
                self._wait(("address", address), TRIES_OF_ADDRESS, now),
            )

    def _wait(self, key: tuple[str, ...], tries: int, now: float) -> float:
        failures = self._failures.get(key)
        if failures is None:
            return 0.0
        while failures and failures[0] <= now - WINDOW_S:
            failures.popleft()
        return 0.0 if len(failures) < tries else failures[-tries] + WINDOW_S - now

    def note_failure(self, account: str, address: str) -> None:
        """Count one failure."""
        now = self._tick()
        with self._lock:
            if len(self._failures) > MOST_KEPT:
                self._forget(now)
            for key in (("pair", account, address), ("account", account), ("address", address)):
                self._failures.setdefault(key, deque(maxlen=TRIES_OF_ACCOUNT)).append(now)

    def _forget(self, now: float) -> None:
        old = [key for key, times in self._failures.items() if times[-1] <= now - WINDOW_S]
        for key in old:
            del self._failures[key]

    def note_success(self, account: str, address: str) -> None:
        """Forget the failures of this account from this address."""
        with self._lock:
            self._failures.pop(("pair", account, address), None)
