"""Ways a notice can go: SMTP and webhook. It is taken, certainly not, or nobody knows."""

import base64
import hashlib
import hmac
import http.client
import os
import smtplib
import ssl
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime
from email.message import EmailMessage
from email.utils import format_datetime
from pathlib import Path
from urllib.parse import urlsplit

from ingestd import __version__
from ingestd.config.operation import HookChannel, MailChannel
from ingestd.service.notices.channel import MaybeTaken, NotTaken
from ingestd.service.notices.letter import Letter

TIMEOUT_S = 20.0
CREDENTIALS = "CREDENTIALS_DIRECTORY"  # set by systemd for a unit with LoadCredential=
SECRET_PREFIX = "whsec_"  # noqa: S105 - marks a secret whose key is base64, and is none


def read_secret(path: Path | None, credential: str) -> str:
    """What a file or a systemd credential holds, without the line's end.

    Raises:
        NotTaken: it cannot be read.
    """
    if credential:
        folder = os.environ.get(CREDENTIALS)
        if not folder:
            raise NotTaken(
                f"credential {credential!r}: {CREDENTIALS} is not set;"
                f" add LoadCredential={credential}:FILE to the unit"
            )
        path = Path(folder) / credential
    if path is None:
        return ""
    try:
        return path.read_text(encoding="utf-8").rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        raise NotTaken(f"{path} cannot be read: {error}") from error


class Mail:
    """By SMTP (RFC 5321), over TLS unless the relay is on this computer."""

    name = "mail"

    def __init__(self, settings: MailChannel) -> None:
        self._settings = settings

    def send(self, letter: Letter) -> None:
        """Send it as a plain text mail; some of several addresses suffice."""
        settings = self._settings
        password = read_secret(settings.password_file, settings.credential)
        try:
            client = self._connect()
            try:
                client.ehlo_or_helo_if_needed()
                if settings.tls == "starttls":
                    client.starttls(context=_tls(settings.ca))
                    client.ehlo()
                if settings.account:
                    client.login(settings.account, password)
                _check(client.mail(settings.sender), "sender")
                answers = [client.rcpt(one) for one in settings.to]
                _check(min(answers), "every address")
            except BaseException:
                client.close()
                raise
        except (OSError, smtplib.SMTPException) as error:
            raise NotTaken(f"{settings.host}: {error}") from error
        try:
            code, answer = client.data(self._message(letter).as_bytes())
        except smtplib.SMTPDataError as error:
            raise NotTaken(f"{settings.host}: {error}") from error
        except (OSError, smtplib.SMTPException) as error:
            raise MaybeTaken(f"{settings.host}: {error}") from error
        finally:
            with suppress(OSError, smtplib.SMTPException):
                client.quit()
        _check((code, answer), "text")

    def _connect(self) -> smtplib.SMTP:
        settings = self._settings
        if settings.tls == "implicit":
            return smtplib.SMTP_SSL(
                settings.host, settings.port, timeout=TIMEOUT_S, context=_tls(settings.ca)
            )
        return smtplib.SMTP(settings.host, settings.port, timeout=TIMEOUT_S)

    def _message(self, letter: Letter) -> EmailMessage:
        message = EmailMessage()
        message["From"] = self._settings.sender
        message["To"] = ", ".join(self._settings.to)
        message["Subject"] = letter.subject
        message["Date"] = format_datetime(letter.at)
        message["Message-ID"] = f"<{letter.ident}@{self._settings.sender.rpartition('@')[2]}>"
        message["Auto-Submitted"] = "auto-generated"  # RFC 3834: no answering machine answers
        message.set_content(letter.text)
        return message


class Hook:
    """By POST of JSON, signed.

    Source: Standard Webhooks, specification 1.0: headers webhook-id, webhook-timestamp,
    webhook-signature; `v1,` and base64 of HMAC-SHA256 over id, timestamp and body joined by dots.

    Args:
        now: the present instant, UTC.
    """

    name = "webhook"

    def __init__(self, settings: HookChannel, *, now: Callable[[], datetime]) -> None:
        self._settings = settings
        self._now = now

    def send(self, letter: Letter) -> None:
        """Post it; any answer from 200 to 299 means that it was taken.

        A lost answer is NotTaken here: the same id again tells the receiver that it is the same.
        """
        settings = self._settings
        secret = read_secret(settings.secret_file, settings.credential)
        if not secret:
            raise NotTaken("the secret that signs notices is empty")
        timestamp = int(self._now().timestamp())
        parts = urlsplit(settings.url)
        try:
            conn = self._connect(parts.scheme, parts.hostname or "", parts.port)
            try:
                conn.request(
                    "POST",
                    (parts.path or "/") + (f"?{parts.query}" if parts.query else ""),
                    body=letter.body,
                    headers={
                        "Content-Type": "application/json",
                        "User-Agent": f"ingestd/{__version__}",
                        "webhook-id": letter.ident,
                        "webhook-timestamp": str(timestamp),
                        "webhook-signature": sign(secret, letter.ident, timestamp, letter.body),
                    },
                )
                answer = conn.getresponse()
                answer.read(1024)
            finally:
                conn.close()
        except (OSError, http.client.HTTPException) as error:
            raise NotTaken(f"{parts.hostname}: {error!r}") from error
        if not 200 <= answer.status <= 299:
            raise NotTaken(f"{parts.hostname} answers {answer.status} {answer.reason}")

    def _connect(self, scheme: str, host: str, port: int | None) -> http.client.HTTPConnection:
        if scheme == "https":
            return http.client.HTTPSConnection(
                host, port, timeout=TIMEOUT_S, context=_tls(self._settings.ca)
            )
        return http.client.HTTPConnection(host, port, timeout=TIMEOUT_S)


def sign(secret: str, ident: str, timestamp: int, body: bytes) -> str:
    """The signature of a webhook as its header gives it.

    Args:
        secret: `whsec_` and base64 of the key; anything else is the key itself.
        timestamp: seconds since 1970, UTC.

    Raises:
        NotTaken: what follows `whsec_` is not base64.
    """
    if secret.startswith(SECRET_PREFIX):
        try:
            key = base64.b64decode(secret.removeprefix(SECRET_PREFIX), validate=True)
        except ValueError:
            raise NotTaken("the secret that signs notices is not base64 after whsec_") from None
    else:
        key = secret.encode()
    signed = b".".join((ident.encode(), str(timestamp).encode(), body))
    digest = hmac.new(key, signed, hashlib.sha256).digest()
    return f"v1,{base64.b64encode(digest).decode()}"


def _tls(ca: Path | None) -> ssl.SSLContext:
    return ssl.create_default_context(cafile=None if ca is None else str(ca))


def _check(answer: tuple[int, bytes], what: str) -> None:
    code, words = answer
    if not 200 <= code <= 299:
        raise NotTaken(f"{what} refused: {code} {words.decode('utf-8', 'replace')}")
