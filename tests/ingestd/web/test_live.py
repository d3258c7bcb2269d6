"""News of the ledger reaches every open page at once, and costs nothing while there is none."""

import asyncio
import json
import time
from collections.abc import AsyncIterator, Callable

from ingestd.web.context import PageContext
from ingestd.web.live import LiveFeed
from tests.conftest import EXPORT_HEAD, SHEET, Lab, row
from tests.ingestd.web.conftest import Page

SOON_S = 5.0


def hear(
    context: PageContext,
    act: Callable[[], None],
    *,
    about: str = "",
    pages: int = 1,
    quiet_s: float = 15.0,
    signed_in: bool = True,
) -> list[str]:
    """What each of so many pages hears first after `act` that is about something.

    An arrival is two changes, its bytes and its meaning, and so may be two messages.
    """

    async def first(stream: AsyncIterator[bytes]) -> str:
        async for part in stream:
            text = part.decode()
            if text.startswith("event:") and about in text:
                return text
        return "ended"

    async def run() -> list[str]:
        feed = LiveFeed(context)
        feed.start(asyncio.get_running_loop())
        streams = [feed.listen(lambda: signed_in, quiet_s) for _ in range(pages)]
        heard = [asyncio.create_task(first(stream)) for stream in streams]
        while feed.listeners < pages or not feed.has_looked:  # noqa: ASYNC110 - another thread sets it
            await asyncio.sleep(0.005)
        await asyncio.to_thread(act)
        try:
            return await asyncio.wait_for(asyncio.gather(*heard), SOON_S)
        finally:
            feed.stop()
            for stream in streams:
                await stream.aclose()  # type: ignore[attr-defined]  # an async generator

    return asyncio.run(run())


def test_new_reading_is_told_with_its_run_and_what_waits(lab: Lab, page: Page) -> None:
    lab.load("second.csv", SHEET.replace("R1", "R2").replace("W-", "V-"))

    def act() -> None:
        lab.arrive(EXPORT_HEAD + row(8, "V-1", "300", dilution="2"), name="live.csv")

    (heard,) = hear(page.context, act, about="R2")
    assert heard.startswith("event: news\ndata: ")
    assert heard.endswith("\n\n")
    news = json.loads(heard.split("data: ")[1])
    assert news["runs"] == ["R2"]
    assert news["size"] == lab.one("SELECT size FROM frontier")
    assert news["waiting"] == "0"


def test_news_comes_within_the_quarter_of_a_second_that_is_promised(lab: Lab, page: Page) -> None:
    begun = [0.0]

    def act() -> None:
        lab.arrive(EXPORT_HEAD + row(8, "V-1", "300"), name="live.csv")
        begun[0] = time.monotonic()

    hear(page.context, act, about='"waiting": "1"')
    assert time.monotonic() - begun[0] < 0.25 + 0.75  # with room for a busy machine


def test_fifty_pages_hear_the_same(lab: Lab, page: Page) -> None:
    def act() -> None:
        lab.load("second.csv", SHEET.replace("R1", "R2").replace("W-", "V-"))

    heard = hear(page.context, act, about="R2", pages=50)
    assert len(heard) == 50
    assert len(set(heard)) == 1
    assert '"R2"' in heard[0]


def test_change_of_a_session_alone_is_no_news(lab: Lab, page: Page) -> None:
    size = int(str(lab.one("SELECT size FROM frontier")))

    def act() -> None:
        page.sign_in("vera")
        time.sleep(0.3)  # several looks of the feed, in which it must say nothing
        lab.load("third.csv", SHEET.replace("R1", "R3").replace("W-", "U-"))

    (heard,) = hear(page.context, act)
    assert json.loads(heard.split("data: ")[1])["size"] > size


def test_page_is_told_when_its_session_has_ended(page: Page) -> None:
    (heard,) = hear(page.context, lambda: None, quiet_s=0.05, signed_in=False)
    assert heard.startswith("event: signed-out")


def test_stopping_ends_every_stream(page: Page) -> None:
    async def run() -> str:
        feed = LiveFeed(page.context)
        feed.start(asyncio.get_running_loop())
        stream = feed.listen(lambda: True)
        assert (await anext(stream)).startswith(b"retry:")
        asyncio.get_running_loop().call_later(0.02, feed.stop)
        return "".join([part.decode() async for part in stream])

    assert asyncio.run(asyncio.wait_for(run(), SOON_S)) == ""


def test_idle_feed_costs_next_to_nothing(page: Page) -> None:
    async def run() -> float:
        feed = LiveFeed(page.context)
        feed.start(asyncio.get_running_loop())
        streams = [feed.listen(lambda: True) for _ in range(50)]
        for stream in streams:
            await anext(stream)
        begun = time.process_time()
        await asyncio.sleep(2)  # the time over which the cost is measured
        used = time.process_time() - begun
        feed.stop()
        for stream in streams:
            await stream.aclose()  # type: ignore[attr-defined]  # an async generator
        return used / 2

    assert asyncio.run(run()) < 0.25
