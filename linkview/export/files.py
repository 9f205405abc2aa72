"""The one place that puts result files on disk: whole, or not at all.

Everything is written under another name in the same folder and moved into place when complete,
so that a reader never meets half a file and an old result survives a failed run.
"""

from __future__ import annotations

import errno
import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from linkview.errors import CannotWrite


def write_whole(path: Path, content: bytes | str) -> None:
    """Write bytes, or text as UTF-8 with \\n line ends, to path.

    Raises CannotWrite, saying what to do, and leaves what stood there before.
    """
    data = content.encode("utf-8") if isinstance(content, str) else content
    with written_beside(path) as beside:
        beside.write_bytes(data)


@contextmanager
def written_beside(path: Path) -> Iterator[Path]:
    """A free name in path's folder, same suffix; moved to path when the block ends well.

    For libraries that write by name. On any exception, Ctrl-C included, nothing is left behind.
    Raises CannotWrite for what the disk refuses.
    """
    path = Path(path)
    if os.path.isdir(path):
        raise CannotWrite(f"{path}: this is a folder; give a file name in it")
    if not os.path.isdir(path.parent):
        raise CannotWrite(f"{path}: there is no folder {path.parent}; make it first")
    beside = path.with_name(f".{secrets.token_hex(6)}{path.suffix}")
    try:
        yield beside
        os.replace(beside, path)
    except OSError as fault:
        raise CannotWrite(f"{path}: {_advice(fault)}") from fault
    finally:
        # The first error is the one to tell, not that its remains could not be removed.
        with suppress(OSError):
            beside.unlink(missing_ok=True)


def _advice(fault: OSError) -> str:
    reason = fault.strerror or str(fault)
    if fault.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return f"{reason}; close the program that has it open, or choose a folder you may write to"
    if fault.errno in (errno.ENOSPC, errno.EFBIG):
        return f"{reason}; make room on the disk, or choose another one"
    if fault.errno in (errno.ENAMETOOLONG, errno.EINVAL):
        return f"{reason}; choose a shorter, plainer file name"
    return f"{reason}; choose another folder"
