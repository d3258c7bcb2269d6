"""Sections of the configuration that concern operation: [service], [web] and [notices]."""

import ipaddress
import re
from datetime import time
from pathlib import Path
from typing import Annotated, Literal, Self
from urllib.parse import urlsplit

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

_ADDRESS = re.compile(r"[^@\s<>\",;:]+@[^@\s<>\",;:]+")
_SPAN = re.compile(r"(\d{2}):(\d{2})-(\d{2}):(\d{2})")


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class ServiceSection(_Section):
    """How the service is watched.

    Attributes:
        metrics: HOST:PORT of this computer where /health and /metrics are served; "": nowhere.
        disk_low_mib: less room than this on the ledger's disk needs a hand.
    """

    metrics: str = ""
    disk_low_mib: Annotated[int, Field(ge=1)] = 500

    @field_validator("metrics")
    @classmethod
    def _loopback(cls, value: str) -> str:
        if value:
            host, port = host_and_port(value)
            if not 0 <= port <= 65535:
                raise ValueError("a port is a number from 0 to 65535")
            if not ipaddress.ip_address(host).is_loopback:
                raise ValueError("only an address of this computer, as 127.0.0.1:9464")
        return value


def host_and_port(text: str) -> tuple[str, int]:
    """The two parts of HOST:PORT; an IPv6 address stands in brackets.

    Raises:
        ValueError: it is none.
    """
    host, colon, port = text.rpartition(":")
    if not colon or not port.isdecimal():
        raise ValueError("give HOST:PORT, as 127.0.0.1:9464")
    return host.removeprefix("[").removesuffix("]"), int(port)


class MailChannel(_Section):
    """Notices by mail.

    Attributes:
        host, port: of the SMTP server.
        tls: "starttls" (RFC 3207) or "implicit" (RFC 8314) prove the server by its certificate;
            "none" only for a relay on this computer.
        ca: certificates to trust; those of the machine by default.
        sender: address they come from.
        to: addresses they go to.
        account: to sign in with, "" if the server asks for none.
        password_file: holds its password and nothing else.
        credential: name of a systemd credential that holds it, instead of a file.
    """

    host: Annotated[str, Field(min_length=1)]
    port: Annotated[int, Field(ge=1, le=65535)] = 587
    tls: Literal["starttls", "implicit", "none"] = "starttls"
    ca: Path | None = None
    sender: str
    to: Annotated[tuple[str, ...], Field(min_length=1)]
    account: str = ""
    password_file: Path | None = None
    credential: str = ""

    @field_validator("sender", "to")
    @classmethod
    def _address(cls, value: str | tuple[str, ...]) -> str | tuple[str, ...]:
        for one in (value,) if isinstance(value, str) else value:
            if not _ADDRESS.fullmatch(one) or not one.isprintable():
                raise ValueError(f"{one!r} is no plain address, as lab@example.org")
        return value

    @model_validator(mode="after")
    def _whole(self) -> Self:
        _one_secret(self.password_file, self.credential, "password_file")
        has_secret = self.password_file is not None or bool(self.credential)
        if bool(self.account) != has_secret:
            raise ValueError("account and its password (password_file or credential) go together")
        if self.account and self.tls == "none":
            raise ValueError("a password is never sent without TLS")
        return self


class HookChannel(_Section):
    """Notices by webhook, signed.

    Attributes:
        url: https, or http to this computer only.
        secret_file: holds the secret that signs them and nothing else.
        credential: name of a systemd credential that holds it, instead of a file.
        ca: certificates to trust; those of the machine by default.
    """

    url: str
    secret_file: Path | None = None
    credential: str = ""
    ca: Path | None = None

    @field_validator("url")
    @classmethod
    def _is_safe(cls, value: str) -> str:
        parts = urlsplit(value)
        is_near = parts.hostname in ("localhost", "127.0.0.1", "::1")
        if not parts.hostname or parts.scheme not in (
            ("https", "http") if is_near else ("https",)
        ):
            raise ValueError("give an https address (http only to this computer)")
        if parts.username or parts.password:
            raise ValueError("no account or password in the address; its secret stands in a file")
        return value

    @model_validator(mode="after")
    def _whole(self) -> Self:
        _one_secret(self.secret_file, self.credential, "secret_file")
        if self.secret_file is None and not self.credential:
            raise ValueError("name secret_file or credential: notices are always signed")
        return self


class NoticesSection(_Section):
    """Who is told of what waits, and when not.

    Attributes:
        mail, webhook: by which way; both, one or none.
        quiet_hours: laboratory's local time during which nobody is told, as "20:00-06:30"; what
            mended itself by its end is never told. "": none.
        every_minutes: at most one notice so often.
        held_results: tell of results that are held, too.
    """

    mail: MailChannel | None = None
    webhook: HookChannel | None = None
    quiet_hours: str = ""
    every_minutes: Annotated[float, Field(gt=0, le=1440)] = 10.0
    held_results: bool = True

    @field_validator("quiet_hours")
    @classmethod
    def _span(cls, value: str) -> str:
        if value:
            quiet_span(value)
        return value


def quiet_span(text: str) -> tuple[time, time]:
    """Begin and end of quiet hours written HH:MM-HH:MM.

    Raises:
        ValueError: it is none, or nothing would ever be quiet or loud.
    """
    match = _SPAN.fullmatch(text)
    if match is None:
        raise ValueError('give HH:MM-HH:MM, as "20:00-06:30"')
    hours = [int(part) for part in match.groups()]
    try:
        begin, end = time(hours[0], hours[1]), time(hours[2], hours[3])
    except ValueError:
        raise ValueError("hours go from 00 to 23, minutes from 00 to 59") from None
    if begin == end:
        raise ValueError("begin and end are the same")
    return begin, end


def _one_secret(path: Path | None, credential: str, key: str) -> None:
    if path is not None and credential:
        raise ValueError(f"give {key} or credential, not both")


LOOPBACK = ("127.0.0.1", "::1", "localhost")


class WebSection(_Section):
    """The live page.

    Attributes:
        host, port: where it listens; beyond this computer only behind a proxy with TLS.
        hosts: further names by which browsers reach it, e.g. that of the proxy.
        idle_minutes: a session ends so long after it was last used.
        session_hours: a session ends so long after sign-in.
        proxy_addresses: peers believed when they say who called and whether TLS was used.
        proxy_header: header in which such a peer names the signed-in account; "": none.
    """

    host: Annotated[str, Field(min_length=1)] = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535)] = 8642
    hosts: tuple[str, ...] = ()
    idle_minutes: Annotated[int, Field(ge=1, le=1440)] = 60
    session_hours: Annotated[int, Field(ge=1, le=168)] = 12
    proxy_addresses: tuple[str, ...] = ()
    proxy_header: str = ""

    @property
    def names(self) -> frozenset[str]:
        """Every name a request may ask for, lower case; all others are refused.

        A page of somebody else's could otherwise point a name of its own at this computer.
        """
        return frozenset(name.lower() for name in (*LOOPBACK, self.host, *self.hosts))
