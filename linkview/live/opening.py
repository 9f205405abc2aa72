"""Starts the live page: the server, the browser, and the words on the terminal."""

from __future__ import annotations

import asyncio
import sys
import webbrowser
from pathlib import Path

from linkview.live.server import Address, run
from linkview.plates.profiles import ShopProfile


def serve_page(
    model: Path, *, variant: str, shop: ShopProfile, host: str, port: int, browser: bool
) -> int:
    """Serves until Ctrl-C, and returns the exit status. Raises LinkviewError for a bad file."""
    address = Address(host, port)

    def ready(link: str, look: str) -> None:
        print(f"linkview: the live page is at {link}", flush=True)
        if look:
            print(f"linkview: for others, only to look: {look}", flush=True)
        print("linkview: Ctrl-C ends it; what was changed is kept", file=sys.stderr, flush=True)
        if browser:
            webbrowser.open(link)

    if not address.loopback:
        print(
            f"linkview: WARNING: listening on {host}: anyone on that network who has a link can "
            "see this car, and with the first link change it. The way there is not encrypted.",
            file=sys.stderr,
            flush=True,
        )
    asyncio.run(run(address, model, variant, shop, ready))
    return 0
