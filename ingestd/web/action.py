"""One decision from a page: one transaction, a message, and back to where it was made."""

from collections.abc import Callable

from fastapi import Request
from starlette.responses import Response

from ingestd import events
from ingestd.errors import Refused
from ingestd.ledger.store import Change
from ingestd.plan.faults import PlanError
from ingestd.web.access import Visitor, context_of
from ingestd.web.pages import back_to, tell
from parsers import FormError


def acted(request: Request, visitor: Visitor, back: str, act: Callable[[Change], str]) -> Response:
    """Carry out a decision and send the browser back.

    Args:
        back: address of the page to show next, where the message stands.
        act: makes the change and says in a sentence what it did.
    """
    context = context_of(request)
    try:
        with context.change(by=visitor.account) as change:
            words = act(change)
    except (Refused, PlanError, FormError) as error:
        context.log.warning(
            events.REQUEST_REFUSED, path=request.url.path, account=visitor.account, why=str(error)
        )
        tell(request, visitor, "refused", str(error))
    else:
        context.log.info(events.DECIDED, path=request.url.path, account=visitor.account)
        tell(request, visitor, "done", words)
    return back_to(back)


def subject_of(text: str) -> str:
    """What a decision is about: a run's name, or a result's number that can be one.

    Raises:
        Refused: digits that no result has as its number.
    """
    if text.isdigit() and not (text.isascii() and len(text) < 19):
        raise Refused(f"result {text[:40]}", "there is none", "see the page Results")
    return text
