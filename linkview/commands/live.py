"""`view`: the live page."""

from __future__ import annotations

import argparse

from linkview.commands.arguments import SHOPS, Commands, command, take_model
from linkview.commands.common import shop_of


def add_view(commands: Commands) -> None:
    words = "the live page in the browser: move the linkage, drag points, watch gaps"
    sub = command(commands, "view", _view, words)
    take_model(sub)
    sub.add_argument("--variant", metavar="NAME", default="as_found", help="where to begin")
    sub.add_argument("--shop", metavar="SHOP", default=SHOPS[0], help="profile or FILE.toml")
    sub.add_argument("--port", type=int, default=0, help="default: a free one")
    sub.add_argument("--no-browser", action="store_true", help="only print the link")
    sub.add_argument(
        "--address",
        metavar="ADDRESS",
        default="127.0.0.1",
        help="listen on this address of the machine, for others to look; without it only this "
        "machine can open the page",
    )


def _view(args: argparse.Namespace) -> int:
    from linkview.live.helper import load_ahead

    load_ahead()
    from linkview.live.opening import serve_page

    return serve_page(
        args.model,
        variant=args.variant,
        shop=shop_of(args),
        host=args.address,
        port=args.port,
        browser=not args.no_browser,
    )
