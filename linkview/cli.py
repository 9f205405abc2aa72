"""The command line: parses, calls, and is the one door where an error becomes a line on screen.

Each command stands in a file of `linkview.commands`. Heavy libraries load inside the command that
needs them, so that `linkview --help` answers at once.
Exit status: 0 done; 1 with --strict when a gap, limit or plate falls short; 2 for input that
cannot be used or a plate that was refused; 130 when stopped from the keyboard.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from types import FrameType

from linkview import __version__
from linkview.commands import (
    comparing,
    hand_over,
    job,
    live,
    measuring,
    pictures,
    plates,
    setting,
    tables,
    tuning,
)
from linkview.commands.common import DONE, STOPPED, UNUSABLE
from linkview.commands.progress import interrupted
from linkview.errors import BadLinkage, LinkviewError

# In the order of `linkview --help`.
COMMANDS = (
    job.add_demo,
    job.add_run,
    job.add_check,
    tables.add_sweep,
    tables.add_gaps,
    tables.add_envelope,
    plates.add_plates,
    hand_over.add_pack,
    hand_over.add_page,
    hand_over.add_model3d,
    hand_over.add_report,
    pictures.add_picture,
    measuring.add_measure,
    measuring.add_as_built,
    pictures.add_film,
    live.add_view,
    plates.add_shop,
    plates.add_outline,
    comparing.add_compare,
    comparing.add_sensitivity,
    setting.add_adjusters,
    setting.add_setup,
    tuning.add_trust,
    tuning.add_targets,
)

AS_FOUND = "as_found"
ALONE = ("view",)  # what `linkview` does without a word: the live page's start screen


def main(argv: Sequence[str] | None = None) -> int:
    """Runs one command and returns its exit status."""
    given = sys.argv[1:] if argv is None else list(argv)
    args = _parser().parse_args(given or ALONE)
    run: Callable[[argparse.Namespace], int] = args.run
    try:
        with _heeding_interrupts():
            return run(args)
    except LinkviewError as fault:
        for line in str(fault).splitlines():
            print(f"linkview: {_of_file(args, fault)}{line}", file=sys.stderr)
        return UNUSABLE
    except KeyboardInterrupt:
        print("linkview: stopped; nothing half-written is left", file=sys.stderr)
        return STOPPED
    except BrokenPipeError:  # the reader of our output went away, as `| head` does
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE


def _of_file(args: argparse.Namespace, fault: LinkviewError) -> str:
    """The file and variant of a fault that has only its key: a linkage knows no file."""
    if not isinstance(fault, BadLinkage) or "model" not in args:
        return ""
    variant = getattr(args, "variant", AS_FOUND)
    one = variant != AS_FOUND and variant.isidentifier()  # `compare` has made a name of two
    return f"{args.model}: {f'variant.{variant}: ' if one else ''}"


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="linkview",
        description="Where every joint of a suspension goes, what touches what, and the plates to "
        "cut, from one hard-point file.",
        epilog="Alone it opens the live page with a start screen. "
        "Computed geometry proves nothing about strength, fatigue, welds or loads; 'no "
        "contact found' is not 'safe'. See README.md.",
    )
    parser.add_argument("--version", action="version", version=f"linkview {__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for add in COMMANDS:
        add(commands)
    return parser


@contextmanager
def _heeding_interrupts() -> Iterator[None]:
    """Keeps a Ctrl-C in mind: a library's import may swallow the exception that it raises."""

    def note(number: int, frame: FrameType | None) -> None:
        interrupted.set()
        raise KeyboardInterrupt

    ours = (
        threading.current_thread() is threading.main_thread()
        and signal.getsignal(signal.SIGINT) is signal.default_int_handler
    )
    if not ours:
        yield
        return

    def unraisable(told: sys.UnraisableHookArgs) -> None:
        if not interrupted.is_set():
            sys.__unraisablehook__(told)

    signal.signal(signal.SIGINT, note)
    sys.unraisablehook = unraisable
    try:
        yield
    except Exception:
        if interrupted.is_set():  # a library stopped in the midst of its work may call that a fault
            raise KeyboardInterrupt from None
        raise
    finally:
        signal.signal(signal.SIGINT, signal.default_int_handler)
        sys.unraisablehook = sys.__unraisablehook__
        interrupted.clear()


if __name__ == "__main__":
    sys.exit(main())
