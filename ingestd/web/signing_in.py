"""Sign-in, sign-out, and an account's own page: its sessions, password and tokens."""

import hmac
import secrets
from datetime import timedelta
from typing import Annotated

from fastapi import APIRouter, Form, Request
from starlette.responses import RedirectResponse, Response

from ingestd import events
from ingestd.errors import Refused
from ingestd.ledger.accounts import (
    add_token,
    begin_session,
    end_session,
    end_token,
    find_password,
    sessions_of,
    set_password,
    tokens_of,
)
from ingestd.web.access import COOKIE, Viewer, ViewerPosts, Visitor, context_of
from ingestd.web.context import PageContext
from ingestd.web.pages import back_to, bare_page, page, tell
from ingestd.web.passwords import Throttle, hash_password, is_right

FORM_COOKIE = "ingestd_form"  # what a sign-in form must bring back
TOKEN_PREFIX = "ingestd_"  # noqa: S105 - makes a token recognisable where it should not be
MOST_TOKEN_DAYS = 730

router = APIRouter(include_in_schema=False)


@router.get("/sign-in")
def sign_in_form(request: Request, next: str = "/bench") -> Response:  # noqa: A002 - an address's name
    """The form; behind a proxy that names the person, straight on."""
    context = context_of(request)
    account = request.scope["state"]["proxied_account"]
    if context.settings.proxy_header and account:
        if _is_active(context, account):
            return _begin(request, account, next)
        context.log.warning(events.SIGN_IN_REFUSED, account=account, client=_address(request))
        return _form(request, next, "Your account is not known here; an admin adds it.", 403)
    return _form(request, next, "", 200)


def _form(request: Request, goal: str, problem: str, status: int) -> Response:
    secret = request.cookies.get(FORM_COOKIE) or secrets.token_urlsafe(32)
    response = bare_page(
        request,
        "sign_in.html",
        status=status,
        title="Sign in",
        next=goal,
        problem=problem,
        form_secret=secret,
    )
    _set_cookie(request, response, FORM_COOKIE, secret, 3600)
    return response


@router.post("/sign-in")
def sign_in(
    request: Request,
    account: Annotated[str, Form(max_length=80)] = "",
    password: Annotated[str, Form(max_length=2048)] = "",
    next: Annotated[str, Form()] = "/bench",  # noqa: A002 - a field's name
    form_secret: Annotated[str, Form()] = "",
) -> Response:
    """A session for whoever knows the password."""
    context = context_of(request)
    throttle: Throttle = request.app.state.throttle
    address = _address(request)
    kept_secret = request.cookies.get(FORM_COOKIE, "")
    if not kept_secret or not hmac.compare_digest(kept_secret.encode(), form_secret.encode()):
        return _form(request, next, "The form had grown old; please try again.", 403)
    wait_s = throttle.wait_s(account, address)
    if wait_s > 0:
        context.log.warning(
            events.SIGN_IN_REFUSED, account=account, client=address, why="too many tries"
        )
        minutes = int(wait_s // 60) + 1
        response = _form(
            request, next, f"Too many tries. Please wait {minutes} minutes, then try again.", 429
        )
        response.headers["retry-after"] = str(int(wait_s) + 1)
        return response
    with context.reading() as conn:
        kept = find_password(conn, account)
    if not (is_right(kept, password) and _is_active(context, account)):
        throttle.note_failure(account, address)
        context.log.warning(events.SIGN_IN_REFUSED, account=account, client=address)
        return _form(request, next, "Account and password do not fit together.", 401)
    throttle.note_success(account, address)
    return _begin(request, account, next)


def _begin(request: Request, account: str, goal: str) -> Response:
    context = context_of(request)
    secret = secrets.token_urlsafe(32)
    hours = context.settings.session_hours
    with context.change(by=account) as change:
        ends_at = context.clock() + timedelta(hours=hours)
        begin_session(change, secret, account, client=_address(request), ends_at=ends_at)
    context.log.info(events.SIGNED_IN, account=account, client=_address(request))
    response = back_to(goal)
    _set_cookie(request, response, COOKIE, secret, hours * 3600)
    response.delete_cookie(FORM_COOKIE)
    return response


def _set_cookie(request: Request, response: Response, name: str, value: str, seconds: int) -> None:
    response.set_cookie(
        name,
        value,
        max_age=seconds,
        httponly=True,
        samesite="strict" if name == FORM_COOKIE else "lax",
        secure=request.scope["scheme"] == "https",
    )


def _is_active(context: PageContext, account: str) -> bool:
    with context.reading() as conn:
        person = context.in_force(conn).of("person").get(account)
    return person is not None and person.active


def _address(request: Request) -> str:
    return request.client.host if request.client else ""


@router.post("/sign-out")
def sign_out(request: Request, visitor: ViewerPosts) -> Response:
    """End this session."""
    context = context_of(request)
    with context.change(by=visitor.account) as change:
        end_session(change, visitor.session, account=visitor.account)
    context.log.info(events.SIGNED_OUT, account=visitor.account)
    response = RedirectResponse("/sign-in", 303)
    response.delete_cookie(COOKIE)
    return response


@router.get("/account")
def account_page(request: Request, visitor: Viewer) -> Response:
    """The visitor's own account."""
    return _account_page(request, visitor)


def _account_page(request: Request, visitor: Visitor, *, new_token: str = "") -> Response:
    context = context_of(request)
    with context.reading() as conn:
        return page(
            request,
            conn,
            visitor,
            "account.html",
            here="",
            title="Your account",
            sessions=sessions_of(conn, visitor.account, at=context.clock()),
            tokens=tokens_of(conn, visitor.account),
            has_password=find_password(conn, visitor.account) is not None,
            new_token=new_token,
        )


@router.post("/account/password")
def change_password(
    request: Request,
    visitor: ViewerPosts,
    old: Annotated[str, Form(max_length=2048)] = "",
    new: Annotated[str, Form(max_length=2048)] = "",
    again: Annotated[str, Form(max_length=2048)] = "",
) -> Response:
    """A new password; all sessions of the account end with it."""
    context = context_of(request)
    throttle: Throttle = request.app.state.throttle
    address = _address(request)
    with context.reading() as conn:
        kept = find_password(conn, visitor.account)
    problem = ""
    hashed = ""
    if throttle.wait_s(visitor.account, address) > 0:
        problem = "Too many tries; wait a quarter of an hour."
    elif not is_right(kept, old):
        throttle.note_failure(visitor.account, address)
        problem = "The present password is not right; type it again."
    elif new != again:
        problem = "The new passwords differ; type both again."
    else:
        try:
            hashed = hash_password(new)
        except Refused as error:
            problem = str(error)
    if problem:
        tell(request, visitor, "refused", problem)
        return RedirectResponse("/account", 303)
    with context.change(by=visitor.account) as change:
        set_password(change, visitor.account, hashed)
    return RedirectResponse("/sign-in", 303)


@router.post("/account/sessions/end")
def end_other_session(
    request: Request, visitor: ViewerPosts, session: Annotated[str, Form()] = ""
) -> Response:
    """End one of the account's sessions."""
    try:
        token = bytes.fromhex(session)
    except ValueError:
        token = b""
    with context_of(request).change(by=visitor.account) as change:
        end_session(change, token, account=visitor.account)
    tell(request, visitor, "done", "The session has ended.")
    return RedirectResponse("/account", 303)


@router.post("/account/tokens")
def make_token(
    request: Request,
    visitor: ViewerPosts,
    name: Annotated[str, Form(min_length=1, max_length=80, pattern=r"^\S")],
    days: Annotated[int, Form(ge=1, le=MOST_TOKEN_DAYS)] = 90,
    may_change: Annotated[str, Form()] = "",
) -> Response:
    """A token for a program; its secret is shown once, on the page that follows."""
    context = context_of(request)
    secret = TOKEN_PREFIX + secrets.token_urlsafe(32)
    try:
        with context.change(by=visitor.account) as change:
            add_token(
                change,
                secret,
                visitor.account,
                name.strip(),
                may_change=may_change == "yes",
                ends_at=context.clock() + timedelta(days=days),
            )
    except Refused as error:
        tell(request, visitor, "refused", str(error))
        return RedirectResponse("/account", 303)
    return _account_page(request, visitor, new_token=secret)


@router.post("/account/tokens/end")
def finish_token(
    request: Request, visitor: ViewerPosts, name: Annotated[str, Form()] = ""
) -> Response:
    """End one of the account's tokens."""
    try:
        with context_of(request).change(by=visitor.account) as change:
            end_token(change, visitor.account, name)
        tell(request, visitor, "done", f"Token {name} has ended.")
    except Refused as error:
        tell(request, visitor, "refused", str(error))
    return RedirectResponse("/account", 303)
