"""Where the page listens, how long a sign-in lasts, and which proxy may name the person."""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

LOOPBACK = ("127.0.0.1", "::1", "localhost")


class WebSection(BaseModel):
    """The page.

    Attributes:
        host, port: where it listens; beyond this computer only behind a proxy with TLS.
        hosts: further names by which browsers reach it, e.g. that of the proxy.
        idle_minutes: a session ends so long after it was last used.
        session_hours: a session ends so long after sign-in.
        proxy_addresses: peers believed when they say who called and whether TLS was used.
        proxy_header: header in which such a peer names the signed-in account; "": none.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

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
