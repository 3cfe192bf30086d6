"""
A second process for a report: statistics of some methods, and some sections with their figures.

It starts with the report and imports while this process reads the study; then both take what is
next until nothing is left. What it makes is what this process would make; where it fails, this
process does the work itself. It ends with the pipe to it, however this process ends.
"""

import os
import pickle
import signal
import subprocess
import sys
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import replace
from threading import Condition
from typing import Any, Final

MOST_COPIED: Final = 10_000  # pairs; a second copy of more would take the memory of a registry
_STATE: Final[dict[str, Any]] = {}  # of the second process: the report whose sections are asked for


class Second:
    """A process that computes what it is asked, one thing after another."""

    def __init__(self) -> None:
        command = [sys.executable, "-P", "-m", "agreement.report.run.second"]
        pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "stderr": subprocess.DEVNULL}
        self._process = subprocess.Popen(command, **pipes)  # type: ignore[call-overload] # the three streams
        self._asking = ThreadPoolExecutor(1, thread_name_prefix="second")

    def ask(self, function: Callable[..., Any], *given: Any) -> Future[Any]:
        """Have a function of a module called; what it raises, its result raises here."""
        return self._asking.submit(self._asked, function, given)

    def _asked(self, function: Callable[..., Any], given: tuple[Any, ...]) -> Any:
        pickle.dump((function, given), self._process.stdin, pickle.HIGHEST_PROTOCOL)
        self._process.stdin.flush()
        good, found = pickle.load(self._process.stdout)  # from a process of our own
        if not good:
            raise found
        return found

    def close(self) -> None:
        """End it, whatever it does."""
        self._process.kill()
        self._asking.shutdown(cancel_futures=True)
        for pipe in (self._process.stdin, self._process.stdout):
            with suppress(OSError):
                pipe.close()
        self._process.wait()


class Shared:
    """
    Pieces of work that two processes take from both ends of a list.

    Parameters
    ----------
    names : iterable of str or int
        Of the pieces.
    here : callable
        Makes a piece in this process.
    there : callable
        Makes it in the second, as a function of a module.
    """

    def __init__(
        self,
        second: Second,
        names: Iterable[Any],
        here: Callable[[Any], Any],
        there: Callable[[Any], Any],
    ) -> None:
        self._second, self._here, self._there = second, here, there
        self._left, self._made, self._changed = deque(names), dict[Any, Any](), Condition()
        self._failed = set[Any]()  # made too early here: each raises again in its turn
        self._next()

    def of(self, name: Any) -> Any:
        """Return one piece; while the second process makes it, make others."""
        while True:
            with self._changed:
                if name in self._made:
                    return self._made.pop(name)
                able = (one for one in self._left if one not in self._failed)
                mine = name if name in self._left else next(able, None)
                if mine is None:
                    self._changed.wait()
                    continue
                self._left.remove(mine)
            self._make(mine, early=mine != name)

    def _make(self, name: Any, *, early: bool) -> None:
        try:
            made = self._here(name)
        except Exception:
            if not early:
                raise
            with self._changed:
                self._left.appendleft(name)
                self._failed.add(name)
            return
        with self._changed:
            self._made[name] = made

    def _next(self) -> None:
        with self._changed:
            if self._left:
                theirs = self._left.pop()
                with suppress(RuntimeError):  # it is closed already
                    asked = self._second.ask(self._there, theirs)
                    asked.add_done_callback(lambda done: self._came(theirs, done))

    def _came(self, name: Any, done: Future[Any]) -> None:
        failed = done.cancelled() or done.exception() is not None
        with self._changed:
            if failed:
                self._left.appendleft(name)
            else:
                self._made[name] = done.result()
            self._changed.notify_all()
        if not failed:
            self._next()


class Collected:
    """Takes figures where an album would write them."""

    def __init__(self) -> None:
        self.kept: list[Any] = []

    def keep(self, *several: Any) -> None:
        """Take figures, without what only a print needs."""
        self.kept += [replace(one, figure=None) for one in several]


def section_of(report: Any, name: str) -> tuple[Any, list[Any]]:
    """Return one section of a report, and its figures, which no album has yet."""
    album, report.album = report.album, Collected()
    try:
        return getattr(report, name)(), report.album.kept
    finally:
        report.album = album


def worth_sharing(report: Any) -> bool:
    """Whether a second process makes sections: no print needs them here, and two copies fit."""
    return not report.album.printing and len(report.cohort.pairs) <= MOST_COPIED


def shared_sections(second: Second, report: Any, names: Iterable[str]) -> Shared:
    """Return what gives sections of a report and their figures, as `section_of` does."""
    sent = second.ask(_keep, report)
    del sent  # where it fails, so do all that follow, and this process makes the sections
    return Shared(second, names, lambda name: section_of(report, name), _section)


def _keep(report: Any) -> None:
    _STATE["report"] = report


def _section(name: str) -> tuple[Any, list[Any]]:
    return section_of(_STATE["report"], name)


@contextmanager
def second_process() -> Iterator[Second | None]:
    """Give a second process, started before anything heavy is loaded; None on one processor."""
    if _processors() < 2:
        yield None
        return
    second = Second()
    try:
        yield second
    finally:
        second.close()


@contextmanager
def sharing_with(second: Second | None) -> Iterator[None]:
    """Have the statistics in the block shared with a second process, if there is one."""
    from agreement.stats.results_table import sharing  # the second process loads it meanwhile

    if second is None:
        yield
        return

    def mapped(function: Callable[[Any], Any], items: Iterable[Any]) -> list[Any]:
        every = list(items)
        if len(every) < 2:
            return [function(one) for one in every]
        second.ask(_keep_work, function, every)
        shared = Shared(second, range(len(every)), lambda n: function(every[n]), _work)
        return [shared.of(n) for n in range(len(every))]

    with sharing(mapped):
        yield


def _keep_work(function: Callable[[Any], Any], items: list[Any]) -> None:
    _STATE["work"] = (function, items)


def _work(number: int) -> Any:
    function, items = _STATE["work"]
    return function(items[number])


def _processors() -> int:
    with suppress(AttributeError):  # not every system tells
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def serve() -> None:
    """Answer until the pipe closes; called in the second process."""
    import gc
    import warnings

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the first process ends this one
    warnings.simplefilter("ignore")
    replies = os.fdopen(os.dup(1), "wb")
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # what a library prints is no reply
    gc.disable()
    import agreement.report.run.study_report  # noqa: F401 - while the other process reads

    gc.freeze()
    gc.enable()
    gc.set_threshold(10_000)
    while True:
        try:
            function, given = pickle.load(sys.stdin.buffer)  # the pipe is our own
        except EOFError:
            return
        try:
            reply = (True, function(*given))
        except Exception as error:  # noqa: BLE001 - the other process raises it, or does it itself
            reply = (False, RuntimeError(repr(error)))
        pickle.dump(reply, replies, pickle.HIGHEST_PROTOCOL)
        replies.flush()


if __name__ == "__main__":
    from agreement.report.run.second import serve as serve_there
    from agreement.report.run.unused import leave_out_unused

    leave_out_unused()
    serve_there()  # of the module that requests name
