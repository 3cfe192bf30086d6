"""
What sample files were reduced to, kept for the next run of a study: read again is what changed.

Each by its bytes, what study.toml says of its format, and the sessions wanted of it; under the same
program and machine as whole reports (`agreement.report.run.kept`). What a run does not use goes at
once, so that nobody who withdrew stays.
"""

import base64
import json
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import asdict, astuple
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np

from agreement.errors import Problem
from agreement.physiology.beat_times import BeatTimes
from agreement.physiology.session_records import Packed, ReadFile, SampleFile, reduced_file
from agreement.report.run.kept import checked_body, write_checked
from agreement.tables.options import FileFormat
from agreement.tables.paths import digest_if_readable


class KeptSamples:
    """Reduces sample files as `reduced_file` does, but for those that are kept in a file."""

    def __init__(self, file: Path, key: str) -> None:
        self._file, self._key = file, key
        self._known = checked_body(file, key) or {}
        with suppress(OSError):
            file.unlink()

    def __call__(self, form: FileFormat | None, files: Sequence[SampleFile]) -> Iterator[ReadFile]:
        """Yield what each file was reduced to, in their order; then keep it for the next run."""
        used: dict[str, Any] = {}
        for one in files:
            digest = digest_if_readable(one.path)
            name = _name(digest, form, one)
            if digest is not None and name in self._known:
                used[name] = self._known[name]
                yield _unpacked(used[name])
                continue
            read = reduced_file(form, one)
            if read[1] is not None and digest_if_readable(one.path) == digest:
                used[name] = _as_json(read)
            yield read
        write_checked(self._file, {"key": self._key}, used)


def _name(digest: str | None, form: FileFormat | None, file: SampleFile) -> str:
    """Return a checksum of all that the reduction of a file depends on."""
    stated = None if form is None else asdict(form)
    told = [digest, stated, file.name, file.session_id.tolist(), file.mode.tolist()]
    return sha256(json.dumps(told).encode()).hexdigest()


def _as_json(read: ReadFile) -> dict[str, Any]:
    problems, packed = read
    assert packed is not None
    arrays = (packed.valid_share, packed.backward, packed.rows, *packed.times, packed.points)
    return {
        "problems": [astuple(one) for one in problems],
        "unusable": packed.unusable,
        "arrays": [
            [one.dtype.str, list(one.shape), base64.b64encode(one.tobytes()).decode()]
            for one in arrays
        ],
    }


def _unpacked(kept: dict[str, Any]) -> ReadFile:
    share, backward, rows, *times, points = (
        np.frombuffer(bytearray(base64.b64decode(data)), np.dtype(kind)).reshape(shape)
        for kind, shape, data in kept["arrays"]
    )
    packed = Packed(share, backward, rows, kept["unusable"], BeatTimes(*times), points)
    return tuple(Problem(*one) for one in kept["problems"]), packed
