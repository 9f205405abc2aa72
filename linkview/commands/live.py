"""`view`: the live page."""

from __future__ import annotations

import argparse
from pathlib import Path

from linkview.commands.arguments import SHOPS, Commands, command
from linkview.commands.common import shop_of


def add_view(commands: Commands) -> None:
    words = "the live page in the browser: move the linkage, drag points, watch gaps"
    sub = command(commands, "view", _view, words)
    sub.add_argument(
        "model",
        metavar="MODEL.toml",
        nargs="?",
        type=Path,
        help="the hard-point file; left out, the page asks which to open",
    )
    sub.add_argument("--variant", metavar="NAME", default="as_found", help="where to begin")
    sub.add_argument("--shop", metavar="SHOP", default=SHOPS[0], help="profile or FILE.toml")
    sub.add_argument("--port", type=int, default=0, help="default: a free one")
    where = sub.add_mutually_exclusive_group()
    where.add_argument(
        "--window",
        action="store_true",
        help="in a window of its own, where a browser of the Chromium family is installed; "
        "linkview ends when it is closed",
    )
    where.add_argument("--no-browser", action="store_true", help="only print the link")
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
    from linkview.live.opening import Show, serve_page

    show = Show.WINDOW if args.window else Show.NOWHERE if args.no_browser else Show.BROWSER
    return serve_page(
        args.model,
        variant=args.variant,
        shop=shop_of(args),
        host=args.address,
        port=args.port,
        show=show,
    )
