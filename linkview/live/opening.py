"""Starts the live page: the server, the browser or a window, and the words on the terminal."""

from __future__ import annotations

import asyncio
import signal
import sys
import threading
import webbrowser
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from types import FrameType

from linkview.live.server import Address, run
from linkview.live.window import Fate, Window, open_window
from linkview.plates.profiles import ShopProfile


class Show(Enum):
    """Where the page is shown once it is there."""

    BROWSER = "browser"
    WINDOW = "window"
    NOWHERE = "nowhere"


def serve_page(
    model: Path | None, *, variant: str, shop: ShopProfile, host: str, port: int, show: Show
) -> int:
    """Serves until Ctrl-C, or until its own window is closed, and returns the exit status.

    model: None for the start screen. Raises LinkviewError for a bad file.
    """
    address = Address(host, port)
    served: list[_Served] = []

    def ready(link: str, look: str) -> None:
        print(f"linkview: the live page is at {link}", flush=True)
        if look:
            print(f"linkview: for others, only to look: {look}", flush=True)
        _say("Ctrl-C ends it; what was changed is kept")
        served.append(_shown(link, show))

    async def serve() -> None:
        task = asyncio.ensure_future(run(address, model, variant, shop, ready))
        with _ended_by_interrupt(task) as interrupted:
            while not task.done():
                await asyncio.wait([task], timeout=0.5)
                if served and not task.done() and served[0].over():
                    task.cancel()
        if interrupted.is_set():
            raise KeyboardInterrupt
        if not task.cancelled():
            task.result()

    if not address.loopback:
        _say(
            f"WARNING: listening on {host}: anyone on that network who has a link can see this "
            "car, and with the first link change it and open other hard-point files of this "
            "machine. The way there is not encrypted."
        )
    asyncio.run(serve())
    return 0


@contextmanager
def _ended_by_interrupt(task: asyncio.Future[None]) -> Iterator[threading.Event]:
    """A Ctrl-C cancels the task and sets the event; one raised amid the loop's own work would
    leave it half closed, and so would a second one while it closes.
    """
    interrupted, loop = threading.Event(), asyncio.get_running_loop()

    def end(number: int, frame: FrameType | None) -> None:
        interrupted.set()
        loop.call_soon_threadsafe(task.cancel)

    if threading.current_thread() is not threading.main_thread():
        yield interrupted
        return
    before = signal.signal(signal.SIGINT, end)
    try:
        yield interrupted
    finally:
        signal.signal(signal.SIGINT, before)


@dataclass
class _Served:
    """A page as it was shown. window: None where it is a tab, or nowhere."""

    link: str
    window: Window | None = None

    def over(self) -> bool:
        """Whether its window was closed; one that could not open is a tab from then on."""
        fate = Fate.OPEN if self.window is None else self.window.fate()
        if fate is Fate.FAILED:
            self.window = None
            _in_a_tab(self.link, "the browser could not open a window of its own")
        if fate is Fate.CLOSED:
            _say("its window was closed, so it ends; what was changed is kept")
        return fate is Fate.CLOSED


def _shown(link: str, show: Show) -> _Served:
    window = open_window(link) if show is Show.WINDOW else None
    if show is Show.WINDOW and window is None:
        _in_a_tab(link, "no browser that can open a window of its own (Chromium family) was found")
    elif show is Show.BROWSER:
        webbrowser.open(link)
    return _Served(link, window)


def _in_a_tab(link: str, why: str) -> None:
    _say(f"{why}; the page is in a tab of your usual browser")
    webbrowser.open(link)


def _say(words: str) -> None:
    print(f"linkview: {words}", file=sys.stderr, flush=True)
