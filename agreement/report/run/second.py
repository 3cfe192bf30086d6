"""
A second process for a report: the study, statistics of some methods, some sections with figures.

This process is split in two (a fork): the second begins with all that this one has loaded, read and
computed by then, anew for each kind of work; before, it reads a small study while this one loads what
draws. Of a command that makes a report it starts first of all. Both take what is next until nothing is
left. What it makes is what this process would make; where it fails, or none may be split off, this
process does the work itself. It ends with the pipe to it, however this process ends.
"""

import copyreg
import os
import pickle
import signal
import sys
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor, wait
from contextlib import contextmanager, suppress
from dataclasses import replace
from importlib import import_module
from multiprocessing import get_context
from threading import active_count
from types import ModuleType
from typing import Any, Final

MOST_COPIED: Final = 200_000  # readings; to copy the pages of more costs more than is gained
PATIENCE: Final = 120.0  # s; with the second process, before its piece is made here
_END_WITH_PARENT: Final = 1  # PR_SET_PDEATHSIG of prctl(2)
_EARLY: Final[list["Second"]] = []
_STATE: Final[dict[str, Any]] = {}  # of the second process: what it was told by name
copyreg.pickle(ModuleType, lambda one: (import_module, (one.__name__,)))  # they travel by name


class Second:
    """A copy of this process that computes what it is asked, one thing after another."""

    def __init__(self) -> None:
        self._process: Any = None
        self._pipes: tuple[Any, ...] = ()

    @property
    def begun(self) -> bool:
        """Whether it runs."""
        return self._process is not None

    def begin(self, name: str, value: Any, load: Callable[[], None] | None = None) -> None:
        """
        Let it know what it is asked about; where that fails, so does all it is asked.

        load: called first in a copy of this process.
        """
        self.close()
        theirs, questions = os.pipe()
        answers, replies = os.pipe()
        ours = (os.fdopen(answers, "rb"), os.fdopen(questions, "wb"))
        told = (theirs, replies, ours, load)
        copy: Any = get_context("fork").Process(target=_forked, args=told, daemon=True)
        _STATE[name] = value
        try:
            copy.start()
        except (OSError, AssertionError):  # no room for one, or a pool's worker: it may have none
            copy = None
        finally:
            del _STATE[name]
            os.close(theirs)
            os.close(replies)
        self._process, self._pipes = copy, ours
        self._asking = ThreadPoolExecutor(1, thread_name_prefix="second")

    def ask(self, function: Callable[..., Any], *given: Any) -> Future[Any]:
        """Have a function of a module called; what it raises, its result raises here."""
        return self._asking.submit(self._asked, function, given)

    def _asked(self, function: Callable[..., Any], given: tuple[Any, ...]) -> Any:
        answers, questions = self._pipes
        pickle.dump((function, given), questions, pickle.HIGHEST_PROTOCOL)
        questions.flush()
        good, found = pickle.load(answers)  # from a process of our own
        if not good:
            raise found
        return found

    def close(self) -> None:
        """End it, whatever it does."""
        if self._process is not None:
            self._process.kill()
        if self._pipes:
            self._asking.shutdown(cancel_futures=True)
        for pipe in self._pipes:
            with suppress(OSError):
                pipe.close()
        if self._process is not None:
            self._process.join()
        self._process, self._pipes = None, ()


class Shared:
    """
    Pieces of work that two processes take from both ends of a list.

    here, there: what makes a piece by its name in this process; in the second, a module's function.
    """

    def __init__(
        self,
        second: Second,
        names: Iterable[Any],
        here: Callable[[Any], Any],
        there: Callable[[Any], Any],
    ) -> None:
        self._here, self._made = here, dict[Any, Any]()
        self._asked = {name: second.ask(there, name) for name in reversed(list(names))}

    def of(self, name: Any) -> Any:
        """Return one piece; while the second process makes it, make others, the first ones first."""
        asked = self._asked[name]
        while name not in self._made and not (asked.cancel() or asked.done()):
            left = (one for one, other in reversed(self._asked.items()) if _taken_back(other))
            if (mine := next(left, None)) is None:
                wait([asked], PATIENCE)  # where it hangs, it is ended with the report
                break
            with suppress(Exception):  # made too early: it raises again in its turn
                self._made[mine] = self._here(mine)
        if name in self._made:
            return self._made.pop(name)
        good = asked.done() and not asked.cancelled() and asked.exception() is None
        return asked.result() if good else self._here(name)


def _taken_back(asked: Future[Any]) -> bool:
    """Take a piece back that the second process has not begun; False of one taken back before, too."""
    return not asked.cancelled() and asked.cancel()


def sent(block: Any) -> Any:
    """Return what a cell gives as another process can be sent it: of a section, its figures bare."""
    if not hasattr(block, "pictures"):
        return block
    return replace(block, pictures=tuple(one.sent() for one in block.pictures))


def worth_sharing(page: Any) -> bool:
    """Whether a second process makes sections: no print needs them here, and a copy is cheap."""
    return not page.album.printing and len(page.cohort.readings.frame) <= MOST_COPIED


def shared_sections(
    second: Second,
    names: dict[str, Any],
    sources: Iterable[str],
    value: Callable[[str, dict[str, Any]], Any],
) -> Shared:
    """
    Return what gives sections, each the value of one expression, as another process can be sent it.

    names: what the expressions are about.
    value: a function of a module: an expression and the names -> its value.
    """
    second.begin("sections", (names, value))
    return Shared(second, sources, lambda source: sent(value(source, names)), _section)


def _section(source: str) -> Any:
    names, value = _STATE["sections"]
    return sent(value(source, names))


def begin_early(load: Callable[[], None]) -> None:
    """Start a second process that loads something while this one finds out what to do."""
    if _processors() > 1 and _may_fork():
        second = Second()
        second.begin("study", None, load)
        _EARLY.append(second)


def end_early() -> None:
    """End it, for it is not needed."""
    while _EARLY:
        _EARLY.pop().close()


@contextmanager
def second_process() -> Iterator[Second | None]:
    """Give a second process, none where one does all; to begin before heavy imports."""
    if not _EARLY and not (_processors() > 1 and _may_fork()):
        yield None
        return
    second = _EARLY.pop() if _EARLY else Second()
    try:
        yield second
    finally:
        second.close()


@contextmanager
def sharing_with(second: Second | None) -> Iterator[None]:
    """Have the statistics in the block shared with a second process, if there is one."""
    # the second process loads it meanwhile
    from agreement.stats.results_table import METHODS_ELSEWHERE

    if second is None:
        yield
        return

    def mapped(function: Callable[[Any], Any], items: Iterable[Any]) -> list[Any]:
        every = list(items)
        if len(every) < 2:
            return [function(one) for one in every]
        second.begin("work", (function, every))
        shared = Shared(second, range(len(every)), lambda n: function(every[n]), _work)
        return [shared.of(n) for n in range(len(every))]

    with METHODS_ELSEWHERE.by(mapped):
        yield


def _work(number: int) -> Any:
    function, items = _STATE["work"]
    return function(items[number])


def _processors() -> int:
    with suppress(AttributeError):  # not every system tells
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _may_fork() -> bool:
    """Whether this process can be split in two: no thread of it is in the middle of something."""
    return sys.platform == "linux" and active_count() == 1


def _forked(
    questions: int, replies: int, ours: Iterable[Any], load: Callable[[], None] | None
) -> None:
    """Answer from a copy of the first process; it ends with that one, even if that was killed."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the first process ends this one
    import ctypes

    ctypes.CDLL(None).prctl(_END_WITH_PARENT, signal.SIGKILL)
    for pipe in ours:
        pipe.close()
    for name in ("SIGTERM", "SIGHUP"):
        signal.signal(getattr(signal, name), signal.SIG_DFL)  # what the first does then is its own
    if load is not None:
        with suppress(ModuleNotFoundError):  # which the first says
            load()
    _answer(os.fdopen(questions, "rb"), os.fdopen(replies, "wb"))


def _answer(questions: Any, replies: Any) -> None:
    nothing = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nothing, 1)  # what a library prints is no reply
    os.dup2(nothing, 2)
    while True:
        try:
            function, given = pickle.load(questions)  # the pipe is our own
        except EOFError:
            return
        try:
            reply = pickle.dumps((True, function(*given)), pickle.HIGHEST_PROTOCOL)
        except Exception as error:  # noqa: BLE001 - the other process raises it, or does it itself
            reply = pickle.dumps((False, RuntimeError(repr(error))))
        replies.write(reply)
        replies.flush()
