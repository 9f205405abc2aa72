"""How far a command has come, and where it heeds a Ctrl-C."""

from __future__ import annotations

import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from linkview.study import Tell

interrupted = threading.Event()  # set by the interrupt's handler in `linkview.cli`


def heed() -> None:
    """Stops here if the builder has asked for it."""
    if interrupted.is_set():
        raise KeyboardInterrupt


def announce_compiling() -> None:
    """Said where the output is kept too: on a machine's first run ever it takes some seconds."""
    from linkview.clearance.compiled import compiled_before

    if not compiled_before():
        words = "compiling what measures gaps; only this first time, about 20 s"
        print(f"linkview: {words}", file=sys.stderr, flush=True)


@contextmanager
def progress() -> Iterator[Tell]:
    """A bar on a terminal, nothing where the output is kept; stops where the builder asked to."""
    heed()
    if not sys.stderr.isatty():
        yield lambda what, done, count: heed()
        heed()
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    columns = (SpinnerColumn(), TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("starting", total=1)

        def tell(what: str, done: int, count: int) -> None:
            heed()
            bar.update(task, description=what, completed=done, total=count)

        yield tell
