"""Who is asking, and whether they may: sessions for people, tokens for programs, roles for both.

Every route names the role it needs, once, in its own declaration. A form must bring back the
secret that its page was given.
"""

import hmac
from dataclasses import dataclass
from datetime import timedelta
from hashlib import sha256
from typing import Annotated

from fastapi import Depends, Form, Request

from ingestd import events
from ingestd.errors import Refused
from ingestd.ledger.accounts import find_session, find_token, see_session
from ingestd.ledger.connection import Connection
from ingestd.model import Person, PersonRole
from ingestd.pipeline.decisions import authorise
from ingestd.web.context import PageContext

COOKIE = "ingestd_session"
SEEN_EVERY = timedelta(minutes=5)  # a session's use is noted no more often than that
LIVE_HEADER = "x-ingestd-live"  # a page that renews itself does not keep its session alive


class NotSignedIn(Exception):
    """Nobody is signed in, or the session or token has ended."""


class Forbidden(Exception):
    """The account may not do this."""

    def __init__(self, account: str, why: str) -> None:
        self.account = account
        self.why = why
        super().__init__(f"{account}: {why}")


class ForgedForm(Exception):
    """A form does not bring back the secret of the page it was on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Visitor:
    """Whoever asks.

    Attributes:
        csrf: what this visitor's forms must bring back; "" for programs.
        session: hash of the session, b"" for programs.
        may_change: False for a token that only reads.
    """

    account: str
    full_name: str
    roles: tuple[PersonRole, ...]
    csrf: str = ""
    session: bytes = b""
    may_change: bool = True

    def has(self, role: str) -> bool:
        """Whether one of the roles allows what needs this one."""
        return _allows(self.person, PersonRole(role))

    @property
    def person(self) -> Person:
        """As the rules about roles know them."""
        return Person(account=self.account, roles=self.roles, full_name=self.full_name)


def _allows(person: Person, needed: PersonRole) -> bool:
    in_force = _OnePerson(person)
    try:
        authorise(in_force, person.account, needed)  # type: ignore[arg-type]  # all it asks is `of`
    except Refused:
        return False
    return True


class _OnePerson:
    """A plan that knows one person, so that pages ask the very rule that decisions obey."""

    def __init__(self, person: Person) -> None:
        self._person = person

    def of(self, _kind: str) -> dict[str, Person]:
        return {self._person.account: self._person}


def context_of(request: Request) -> PageContext:
    """The office this application was made with."""
    context: PageContext = request.app.state.context
    return context


def csrf_of(secret: str) -> str:
    """What the forms of a session bring back; says nothing about the session's secret."""
    return hmac.new(secret.encode(), b"form", sha256).hexdigest()


def find_visitor(request: Request, conn: Connection) -> Visitor:
    """Whoever signed the request in.

    Raises:
        NotSignedIn: nobody, or not any more.
    """
    context = context_of(request)
    scheme, _, bearer = request.headers.get("authorization", "").partition(" ")
    if scheme.lower() == "bearer" and bearer:
        return _program(context, conn, bearer.strip())
    secret = request.cookies.get(COOKIE, "")
    session = find_session(conn, secret) if secret else None
    if session is None:
        raise NotSignedIn
    now = context.clock()
    idle = timedelta(minutes=context.settings.idle_minutes)
    if now >= session.ends_at or now >= session.seen_at + idle + SEEN_EVERY:
        raise NotSignedIn
    proxied = request.scope["state"]["proxied_account"]
    if context.settings.proxy_header and proxied and proxied != session.account:
        raise NotSignedIn
    person = context.in_force(conn).of("person").get(session.account)
    if person is None or not person.active:
        raise NotSignedIn
    if now >= session.seen_at + SEEN_EVERY and LIVE_HEADER not in request.headers:
        with context.change(by=session.account) as change:
            see_session(change, session.token)
    return Visitor(
        account=person.account,
        full_name=person.full_name,
        roles=person.roles,
        csrf=csrf_of(secret),
        session=session.token,
    )


def _program(context: PageContext, conn: Connection, secret: str) -> Visitor:
    token = find_token(conn, secret)
    if token is None or context.clock() >= token.ends_at:
        raise NotSignedIn
    person = context.in_force(conn).of("person").get(token.account)
    if person is None or not person.active:
        raise NotSignedIn
    return Visitor(
        account=person.account,
        full_name=person.full_name,
        roles=person.roles,
        may_change=token.may_change,
    )


def _visitor(request: Request) -> Visitor:
    with context_of(request).reading() as conn:
        return find_visitor(request, conn)


Signed = Annotated[Visitor, Depends(_visitor)]


class Needs:
    """A dependency: the visitor, if they are signed in and have the role.

    Args:
        role: what the route needs.
        changes: the route changes something, so a token that only reads is refused.
    """

    def __init__(self, role: PersonRole, *, changes: bool = False) -> None:
        self.role = role
        self.changes = changes

    def __call__(self, request: Request, visitor: Signed) -> Visitor:
        """The visitor.

        Raises:
            Forbidden: another role is needed.
        """
        why = ""
        if not visitor.has(self.role):
            held = ", ".join(visitor.roles)
            why = f"this needs the role {self.role}; {visitor.account} has {held}"
        elif self.changes and not visitor.may_change:
            why = "this token only reads"
        if why:
            context_of(request).log.warning(
                events.ACCESS_REFUSED,
                path=request.url.path,
                account=visitor.account,
                needs=self.role.value,
            )
            raise Forbidden(visitor.account, why)
        return visitor


class Posted(Needs):
    """A dependency for forms: the visitor, if the form also brings back its page's secret."""

    def __init__(self, role: PersonRole) -> None:
        super().__init__(role, changes=True)

    def __call__(
        self, request: Request, visitor: Signed, csrf: Annotated[str, Form()] = ""
    ) -> Visitor:
        """The visitor.

        Raises:
            ForgedForm: the secret is missing or another's.
            Forbidden: another role is needed.
        """
        if not visitor.csrf or not hmac.compare_digest(visitor.csrf.encode(), csrf.encode()):
            context_of(request).log.warning(
                events.REQUEST_REFUSED,
                path=request.url.path,
                account=visitor.account,
                status=403,
                why="forged form",
            )
            raise ForgedForm
        return super().__call__(request, visitor)


class ByApi(Needs):
    """A dependency for API calls that change something: only with a token, never a cookie."""

    def __init__(self, role: PersonRole) -> None:
        super().__init__(role, changes=True)

    def __call__(self, request: Request, visitor: Signed) -> Visitor:
        """The visitor.

        Raises:
            Forbidden: another role is needed, or a browser asks.
        """
        if visitor.session:
            raise Forbidden(visitor.account, "changes through the API need a token, not a session")
        return super().__call__(request, visitor)


Viewer = Annotated[Visitor, Depends(Needs(PersonRole.VIEWER))]
ViewerPosts = Annotated[Visitor, Depends(Posted(PersonRole.VIEWER))]
AnalystPosts = Annotated[Visitor, Depends(Posted(PersonRole.ANALYST))]
ReviewerPosts = Annotated[Visitor, Depends(Posted(PersonRole.REVIEWER))]
AdminPosts = Annotated[Visitor, Depends(Posted(PersonRole.ADMIN))]
AnalystCalls = Annotated[Visitor, Depends(ByApi(PersonRole.ANALYST))]
ReviewerCalls = Annotated[Visitor, Depends(ByApi(PersonRole.REVIEWER))]
AdminCalls = Annotated[Visitor, Depends(ByApi(PersonRole.ADMIN))]
