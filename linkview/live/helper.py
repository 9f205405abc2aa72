"""A second process for what takes long: gaps and shapes, so that the page never waits for them.

Of each kind of job only the newest is kept, and a newer one ends the one at work.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from multiprocessing import get_context
from multiprocessing.connection import Connection
from typing import Any

from linkview.errors import LinkviewError

Json = dict[str, Any]
Heard = Callable[[Json], None]


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

    def let_pass(self, kinds: Mapping[str, Work]) -> None:
        """Does the short jobs of these kinds that wait, in the middle of a long one."""
        self.heed()
        mine = self._now
        for kind, work in kinds.items():
            job = self._waiting.pop(kind, None)
            if job is not None:
                self._now = job
                do(self, work, job)
        self._now = mine

    def answer(self, words: Json) -> None:
        if self._now is not None:
            self._pipe.send({"job": self._now.kind, "stamp": self._now.stamp, **words})

    def done(self) -> None:
        self._now = None


def do(post: Post, work: Work, job: Job) -> None:
    """One job; what goes wrong with it is answered in words."""
    try:
        work(post, job.given)
    except Superseded:
        post.answer({"superseded": True})
    except LinkviewError as fault:
        post.answer({"fault": str(fault)})


def serve(pipe: Connection, works: Callable[[], dict[str, Work]]) -> None:
    """The helper's loop; ends when the program does. works(): by kind, the most urgent first."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
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
    own.
    """

    def __init__(self, works: Callable[[], dict[str, Work]], heard: Heard) -> None:
        self._works, self._heard = works, heard
        self._lock, self._closing = threading.Lock(), False
        self._pipe: Connection | None = None

    def _start(self) -> None:
        context = get_context("spawn")
        pipe, far = context.Pipe()
        self._pipe = pipe
        self.process = context.Process(target=serve, args=(far, self._works), daemon=True)
        self.process.start()
        far.close()
        threading.Thread(target=self._listen, args=(pipe,), daemon=True).start()

    def _listen(self, pipe: Connection) -> None:
        while True:
            try:
                words = pipe.recv()
            except (EOFError, OSError):
                break
            self._heard(words)
        if not self._closing:
            self._heard({"job": "", "stamp": 0, "ended": True})

    def restart(self) -> None:
        """After it ended by itself."""
        self.process.join(timeout=5.0)
        with self._lock:
            self._pipe = None

    def ask(self, kind: str, stamp: int, given: object = None) -> None:
        """Puts a job; it replaces one of the same kind that was not begun."""
        with self._lock:
            if self._pipe is None:
                self._start()
            assert self._pipe is not None
            try:
                self._pipe.send(Job(kind, stamp, given))
            except (BrokenPipeError, OSError):
                return  # its end is heard by the listener, which asks for it all again

    def cancel(self, kind: str) -> None:
        self.ask(f"cancel {kind}", 0)

    def close(self) -> None:
        """Ends the process now."""
        self._closing = True
        if self._pipe is None:
            return
        self.process.terminate()
        self.process.join(timeout=5.0)
        self._pipe.close()
