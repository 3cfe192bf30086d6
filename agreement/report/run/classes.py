"""
The code that Python writes for dataclasses, compiled once, and kept as Python keeps its modules.

A process of ours makes 240 such classes before it reads a line, and compiles six functions for each:
a quarter of all loading. What is kept is found by its whole text, and stands in ``__pycache__`` of
this package, where Python may write there; so whoever could change it could change the program.
"""

import atexit
import dataclasses
import marshal
import os
import sys
from contextlib import suppress
from importlib.util import MAGIC_NUMBER, cache_from_source
from pathlib import Path
from types import CodeType
from typing import Any, Final
from zlib import crc32

OWN_FILE: Final = Path(__file__)  # what is kept of it has another name than this module's own code
_MOST: Final = 5_000  # texts, of all versions of this program; above it only those of one run
_CHECKED: Final = len(MAGIC_NUMBER) + 4  # bytes before the texts: of which Python, and a checksum


def keep_written_code() -> None:
    """Let the dataclasses of this process be made of kept code; only for a process of ours."""
    dataclasses.exec = _Written()  # type: ignore[attr-defined] # it stands before the built-in one


class _Written:
    """Runs text as `exec`; compiles what is not kept, and keeps it when the process ends."""

    def __init__(self) -> None:
        self._known: dict[str, CodeType] | None = None
        self._new: dict[str, CodeType] = {}
        self._process = os.getpid()

    def __call__(self, text: str, names: Any = None, found: Any = None) -> None:
        if self._known is None:
            self._known = _kept()
        code = self._known.get(text)
        if code is None:
            if not self._new:
                atexit.register(self._keep)
            code = self._new[text] = compile(text, "<string>", "exec", dont_inherit=True)
        exec(code, names, found)  # noqa: S102 - what the standard library wrote

    def _keep(self) -> None:
        if sys.dont_write_bytecode or os.getpid() != self._process or self._known is None:
            return
        every = self._new if len(self._known) > _MOST else self._known | self._new
        text = marshal.dumps(every)
        place = _place()
        part = place.with_suffix(f".{os.getpid()}")
        with suppress(OSError):
            place.parent.mkdir(parents=True, exist_ok=True)
            try:
                part.write_bytes(MAGIC_NUMBER + crc32(text).to_bytes(4) + text)
                part.replace(place)
            finally:
                part.unlink(missing_ok=True)


def _place() -> Path:
    return Path(cache_from_source(str(OWN_FILE.with_name("written.py"))))


def _kept() -> dict[str, CodeType]:
    with suppress(OSError, ValueError, EOFError, TypeError):
        told = _place().read_bytes()
        text = told[_CHECKED:]
        if told[:_CHECKED] == MAGIC_NUMBER + crc32(text).to_bytes(4):
            known: dict[str, CodeType] = marshal.loads(text)
            return known
    return {}
