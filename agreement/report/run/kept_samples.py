"""
What raw files were reduced to, kept for the next run of a study: read again is what changed.

Samples of sessions by their bytes, what study.toml says of their format, and the sessions wanted of
them; breaths by their bytes and all that is known of their tests, ``[reference]`` and ``[confirm]``.
Both under the same program and machine as whole reports (`agreement.report.run.kept`). What a run
does not use goes at once, so that nobody who withdrew stays.
"""

import base64
import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import asdict, astuple
from functools import partial
from hashlib import sha256
from pathlib import Path
from typing import Any, Final, TypeVar

import numpy as np
import pandas as pd

from agreement.errors import Problem
from agreement.physiology.breath_tests import BreathFile, BreathTests, ComputedFile, computed_file
from agreement.physiology.session_records import (
    BeatTimes,
    Packed,
    ReadFile,
    SampleFile,
    reduced_file,
)
from agreement.report.run.kept import checked_body, write_checked
from agreement.tables.options import FileFormat
from agreement.tables.paths import file_digest

_EXACT: Final = frozenset(
    ("float64", "int64", "str")
)  # kinds of columns that JSON gives back as they were
One = TypeVar("One", bound=SampleFile | BreathFile)
Made = TypeVar("Made")


class _KeptParts:
    """What is kept of parts of a study, in a file of its own under a key."""

    def __init__(self, file: Path, key: str) -> None:
        self._file, self._key = file, key
        self._known = checked_body(file, key) or {}
        with suppress(OSError):
            file.unlink()

    def _each(
        self,
        files: Sequence[One],
        told: Callable[[One], list[Any]],
        made: Callable[[One], Made],
        as_json: Callable[[Made], Any],
        unpacked: Callable[[Any], Made],
    ) -> Iterator[Made]:
        """Yield what each file gives, in their order; then keep it for the next run."""
        used: dict[str, Any] = {}
        for one in files:
            now = _as_now(one.path)
            name = sha256(json.dumps([now and now[0], *told(one)]).encode()).hexdigest()
            if now and name in self._known:
                used[name] = self._known[name]
                yield unpacked(used[name])
                continue
            found = made(one)
            kept = as_json(found)
            if now and kept is not None and _as_now(one.path) == now:
                used[name] = kept
            yield found
        write_checked(self._file, {"key": self._key}, used)


def _as_now(path: Path) -> tuple[str, int, int] | None:
    """Return the checksum of a file, and when it was changed; None where it cannot be read."""
    with suppress(OSError):
        return file_digest(path), (about := path.stat()).st_mtime_ns, about.st_ctime_ns
    return None


class KeptSamples(_KeptParts):
    """Reduces sample files as `reduced_file` does, but for those that are kept in a file."""

    def __call__(self, form: FileFormat | None, files: Sequence[SampleFile]) -> Iterator[ReadFile]:
        """Yield what each file was reduced to, in their order; then keep it for the next run."""
        stated = None if form is None else asdict(form)

        def told(file: SampleFile) -> list[Any]:
            return [stated, file.name, file.session_id.tolist(), file.mode.tolist()]

        made = partial(reduced_file, form)
        return self._each(files, told, made, _samples_as_json, _samples_unpacked)


class KeptBreaths(_KeptParts):
    """Computes tests of breath files as `computed_file` does, but for those that are kept in a file."""

    def __call__(self, files: Sequence[BreathFile]) -> Iterator[ComputedFile]:
        """Yield what each file gave, in their order; then keep it for the next run."""

        def told(file: BreathFile) -> list[Any]:
            form = None if file.form is None else asdict(file.form)
            tests = [{name: repr(value) for name, value in one.items()} for one in file.tests]
            options = json.dumps(asdict(file.options), default=repr)
            return [file.name, tests, file.rules, form, options]

        def as_json(found: ComputedFile) -> list[Any] | None:
            stops, tests = found
            kept = [[_value_as_json(value) for value in one] for one in tests]
            return None if stops or any(None in one for one in kept) else kept

        def unpacked(kept: list[Any]) -> ComputedFile:
            return (), tuple(BreathTests(*(_value(*one) for one in fields)) for fields in kept)

        return self._each(files, told, computed_file, as_json, unpacked)


def _samples_as_json(read: ReadFile) -> dict[str, Any] | None:
    problems, packed = read
    if packed is None:
        return None
    arrays = (packed.valid_share, packed.backward, packed.rows, *packed.times, packed.points)
    return {
        "problems": [astuple(one) for one in problems],
        "unusable": packed.unusable,
        "arrays": [
            [one.dtype.str, list(one.shape), base64.b64encode(one.tobytes()).decode()]
            for one in arrays
        ],
    }


def _samples_unpacked(kept: dict[str, Any]) -> ReadFile:
    share, backward, rows, *times, points = (
        np.frombuffer(bytearray(base64.b64decode(data)), np.dtype(kind)).reshape(shape)
        for kind, shape, data in kept["arrays"]
    )
    packed = Packed(share, backward, rows, kept["unusable"], BeatTimes(*times), points)
    return _problems(kept["problems"]), packed


def _value_as_json(value: Any) -> list[Any] | None:
    """Return a field of `BreathTests` with the name of its kind; None where JSON could change it."""
    match value:
        case pd.DataFrame():
            kinds = [str(one) for one in value.dtypes]
            exact = value.index.equals(pd.RangeIndex(len(value))) and _EXACT.issuperset(kinds)
            columns = [value.iloc[:, n].tolist() for n in range(value.shape[1])]
            told = [*zip(map(str, value.columns), kinds, columns, strict=True)]
            return ["frame", told] if exact or value.empty else None
        case str():
            return ["text", value]
        case (bytes(), *_):
            return ["prints", [one.hex() for one in value]]
    return ["problems", [astuple(one) for one in value]]


def _value(kind: str, told: Any) -> Any:
    match kind:
        case "frame":
            return pd.DataFrame({name: pd.array(values, own) for name, own, values in told})
        case "text":
            return told
        case "prints":
            return tuple(bytes.fromhex(one) for one in told)
    return _problems(told)


def _problems(told: list[Any]) -> tuple[Problem, ...]:
    return tuple(Problem(*one) for one in told)
