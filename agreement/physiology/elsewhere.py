"""Where work on a study is done that may be shared out, and how far that got."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Generic, TypeVar

SessionProgress = Callable[[int, int], None]  # with the number of sessions read and their total
Way = TypeVar("Way")


class Elsewhere(Generic[Way]):
    """How some work is done: by a way that a block of code gives, else here."""

    def __init__(self, name: str) -> None:
        self._given: ContextVar[Way | None] = ContextVar(name, default=None)

    @contextmanager
    def by(self, way: Way) -> Iterator[None]:
        """Have this work in the block be done by `way`."""
        token = self._given.set(way)
        try:
            yield
        finally:
            self._given.reset(token)

    @property
    def way(self) -> Way | None:
        """The way given; None: here."""
        return self._given.get()
