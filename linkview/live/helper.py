"""A second process for what takes long: gaps and shapes, so that the page never waits for them.

Of each kind of job only the newest is kept, and a newer one ends the one at work.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from multiprocessing import forkserver, get_context, resource_tracker
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from typing import Any

from linkview.errors import LinkviewError

Json = dict[str, Any]
Heard = Callable[[Json], None]
# On Linux what helpers share is loaded once and then forked, which saves each of them its loading
# time and memory. Elsewhere each loads for itself. Bodies that are meshes or boxes need trimesh.
if sys.platform == "linux":
    _CONTEXT = get_context("forkserver")
    _CONTEXT.set_forkserver_preload(["linkview.live.shapework", "trimesh"])
else:
    _CONTEXT = get_context("spawn")


def load_ahead() -> None:
    """Begins to load what helpers share while the program still loads its own; nothing elsewhere
    than on Linux.

    A Ctrl-C at the terminal goes to that process too, which would heed it while it loads; it
    inherits that it is blocked, and here it comes through when that is over.
    """
    if sys.platform == "linux":
        resource_tracker.ensure_running()  # which unblocks it once it has started
        blocked = signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGINT])
        try:
            forkserver.ensure_running()
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, blocked)


class Superseded(Exception):
    """A newer job of the same kind, or a cancel, has come in while this one was at work."""


@dataclass(frozen=True)
class Job:
    """kind: which of the helper's works. stamp: comes back with every answer. given: pickled."""

    kind: str
    stamp: int
    given: Any = None


Work = Callable[["Post", Any], None]


class Post:
    """The helper's side of the pipe: newest job of each kind, answers, and when to give up."""

    def __init__(self, pipe: Connection) -> None:
        self._pipe = pipe
        self._waiting: dict[str, Job] = {}
        self._now: Job | None = None

    def next_of(self, order: Sequence[str]) -> Job:
        """The most urgent job; waits for one. EOFError when the program has gone."""
        while True:
            self._take()
            for kind in order:
                if kind in self._waiting:
                    self._now = self._waiting.pop(kind)
                    return self._now
            self._put(self._pipe.recv())

    def _take(self) -> None:
        while self._pipe.poll():
            self._put(self._pipe.recv())

    def _put(self, job: Job) -> None:
        if job.kind.startswith("cancel "):
            kind = job.kind.removeprefix("cancel ")
            self._waiting.pop(kind, None)
            if self._now is not None and self._now.kind == kind:
                self._now = None
        else:
            self._waiting[job.kind] = job

    def heed(self) -> None:
        """Raises Superseded where the present job is no longer wanted."""
        mine = self._now
        self._take()
        if self._now is None or mine is None or mine.kind in self._waiting:
            raise Superseded
        if any(job.stamp > mine.stamp for job in self._waiting.values()):
            raise Superseded  # the car has changed, and all is to be asked anew

    def answer(self, words: Json) -> None:
        if self._now is not None:
            self._pipe.send({"job": self._now.kind, "stamp": self._now.stamp, **words})

    def ended_early(self, job: Job) -> None:
        """Says so after all else that was said of the job, or a page would wait for its end."""
        why = "cancelled" if self._now is None else "superseded"
        self._pipe.send({"job": job.kind, "stamp": job.stamp, why: True})

    def done(self) -> None:
        self._now = None


def do(post: Post, work: Work, job: Job) -> None:
    """One job; what goes wrong with it is answered in words."""
    try:
        work(post, job.given)
    except Superseded:
        post.ended_early(job)
    except LinkviewError as fault:
        post.answer({"fault": str(fault)})
    except MemoryError:
        post.answer({"fault": "too little memory for it; is there a mesh to thin out?"})


def serve(pipe: Connection, works: Callable[[], dict[str, Work]], behind: int) -> None:
    """The helper's loop; ends when the program does. works(): by kind, the most urgent first.

    behind: how far it stands back for the others, as Unix counts niceness; nothing elsewhere.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    if hasattr(os, "nice"):
        os.nice(behind)
    post = Post(pipe)
    try:
        table = works()
        while True:
            job = post.next_of(tuple(table))
            do(post, table[job.kind], job)
            post.done()
    except (EOFError, BrokenPipeError, ConnectionResetError):
        return


class Helper:
    """One helper process, started when it is first asked; `heard` is called from a thread of its
    own. Asking never waits: a helper at work reads its pipe late, and a full pipe would stop all.
    Nor does starting, which takes until what helpers share is loaded.
    """

    def __init__(
        self, works: Callable[[], dict[str, Work]], heard: Heard, *, behind: int = 0
    ) -> None:
        self._works, self._heard, self._behind = works, heard, behind
        self._asked: dict[str, Job] = {}
        self._more, self._closing = threading.Condition(), False
        self._process: BaseProcess | None = None
        self._pipe: Connection | None = None
        self._begun = threading.Event()  # whether the process is there to be ended

    def start(self) -> None:
        """Starts the process, if there is none, so that it has loaded all when it is asked."""
        with self._more:
            if self._pipe is not None or self._closing:
                return
            pipe, far = _CONTEXT.Pipe()
            given = far, self._works, self._behind
            process = _CONTEXT.Process(target=serve, args=given, daemon=True)
            self._pipe, self._process, self._begun = pipe, process, threading.Event()
            keep = process, pipe, far, self._begun
        threading.Thread(target=self._keep, args=keep, daemon=True).start()
        threading.Thread(target=self._send, args=(pipe,), daemon=True).start()

    def _keep(
        self, process: BaseProcess, pipe: Connection, far: Connection, begun: threading.Event
    ) -> None:
        """Starts the process and listens to it until it ends."""
        process.start()
        begun.set()
        far.close()
        while True:
            try:
                words = pipe.recv()
            except (EOFError, OSError):
                break
            self._heard(words)
        if not self._closing:
            self._heard({"job": "", "stamp": 0, "ended": True})

    def _send(self, pipe: Connection) -> None:
        """Sends what is asked; ends with its pipe."""
        while True:
            with self._more:
                while not self._asked and self._pipe is pipe:
                    self._more.wait()
                if self._pipe is not pipe:
                    return
                job = self._asked.pop(next(iter(self._asked)))
            try:
                pipe.send(job)
            except OSError:
                return  # its end is heard by the listener, which asks for it all again

    def restart(self) -> None:
        """After it ended by itself."""
        if self._process is not None:
            self._process.join(timeout=5.0)
        self._forget()

    def _forget(self) -> None:
        with self._more:
            self._pipe = None
            self._asked.clear()
            self._more.notify_all()

    def ask(self, kind: str, stamp: int, given: object = None) -> None:
        """Puts a job; it replaces one of the same kind that was not begun."""
        self.start()
        with self._more:
            self._asked.pop(kind, None)
            self._asked[kind] = Job(kind, stamp, given)
            self._more.notify()

    def cancel(self, kind: str) -> None:
        """Forgets a job, or ends it where it is at work; nothing where there is no process."""
        with self._more:
            self._asked.pop(kind, None)
            if self._pipe is not None:
                self._asked[f"cancel {kind}"] = Job(f"cancel {kind}", 0)
                self._more.notify()

    def close(self) -> None:
        """Ends the process now."""
        self._closing = True
        pipe = self._pipe
        self._forget()
        if self._process is not None and self._begun.wait(timeout=5.0):
            self._process.terminate()
            self._process.join(timeout=5.0)
        if pipe is not None:
            pipe.close()
