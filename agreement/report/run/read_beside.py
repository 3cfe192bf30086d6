"""
Have a study read in the second process while this one loads what draws.

The second goes on with what the statistics are computed from.
"""

import os
import sys
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, cast

from agreement.report.run.kept import KEPT_BREATHS
from agreement.report.run.second import PATIENCE, Second
from agreement.report.run.unused import load_bare
from agreement.tables.columns import PARQUET_ENDING

if TYPE_CHECKING:
    from agreement.cohort import Cohort

MOST_BYTES: Final = 2**23  # of a study read meanwhile; that of a larger one tells how far it is
_WITH_ARROW: Final = ("--watch", "--scheduler")  # a study may change its form; a cluster needs it
_OWN_TEXTS: Final = ("mode.string_storage", "python")


def leave_out_arrow(told: Iterable[str]) -> None:
    """
    Let pandas find no Arrow, an eighth of loading it, where no folder that a command names needs it.

    Needed by studies that are large, in parts or in Parquet. Only for a process of ours.
    """
    from agreement.report.run.any_size import estimates_folder

    words = list(told)
    folders = [Path(one) for one in words if os.path.isdir(one)]  # noqa: PTH112 - it never raises
    needed = any(
        _bytes_in(one) > MOST_BYTES or estimates_folder(one) or _may_hold_parquet(one)
        for one in folders
    )
    if folders and not needed and not any(one.startswith(_WITH_ARROW) for one in words):
        sys.meta_path.insert(0, _NoArrow())  # an empty entry of `sys.modules` upsets older pandas


class _NoArrow:
    """Finds no Arrow, whoever asks."""

    def find_spec(self, name: str, *_: Any) -> None:
        """Say so; of all else others know."""
        if name.partition(".")[0] == "pyarrow":
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)


def _may_hold_parquet(folder: Path) -> bool:
    """Whether a folder holds Parquet, or a link to a folder: links that meet would be followed for ever."""
    return any(
        any(one.casefold().endswith(PARQUET_ENDING) for one in names)
        or any((Path(root) / one).is_symlink() for one in folders)
        for root, folders, names in os.walk(folder)
    )


def load_to_read() -> None:
    """Load what reads and pairs; called in the second process."""
    import gc
    import warnings

    gc.disable()
    warnings.simplefilter("ignore")
    import numpy as np

    np.seterr(all="ignore")
    import agreement.report.run.reading  # noqa: F401 - for what is asked


@contextmanager
def quick_texts(study: Path) -> Iterator[None]:
    """
    Have the texts of a small study kept as Python's own, not as Arrow's.

    On tables of dozens of rows the overhead of each call is all: a third of reading and statistics.
    """
    if not study.is_dir() or _bytes_in(study) > MOST_BYTES:
        yield
        return
    import pandas as pd

    with pd.option_context(*_OWN_TEXTS):
        yield


def _bytes_in(folder: Path) -> int:
    """Return how large a folder is; of one above `MOST_BYTES` that it is."""
    size = 0
    for root, _, names in os.walk(folder):
        for name in names:
            with suppress(OSError):  # gone meanwhile: an editor's
                size += (Path(root) / name).stat().st_size
        if size > MOST_BYTES:  # a home folder, named by mistake, has a million files
            break
    return size


@dataclass(frozen=True)
class Asked:
    """A study to be read for a report."""

    study: Path
    earlier: Path | None = None  # the folder of an earlier report of it
    samples: tuple[Path, str] | None = None  # a file and a key, of `kept_samples`
    evidence: bool = False  # whether that of just what is read is asked for


def reading(
    second: Second | None, asked: Asked, told: Callable[[int, int], None] | None = None
) -> "Callable[..., Cohort]":
    """
    Have a small study read from now on in the second process; return what gives it to `read_by`.

    told: called with the session files read and their total.
    """
    size = _bytes_in(asked.study) if asked.study.is_dir() else MOST_BYTES + 1
    early: Future[Any] | None = None
    if second and size <= MOST_BYTES:
        if not second.begun:
            load_to_read()  # what is loaded now it has too
            second.begin("study", None)
        early = second.ask(_read_early, asked)

    def read(place: Path | str, *, earlier: Path | None = None) -> "Cohort":
        if early is not None and (Path(place), earlier) == (asked.study, asked.earlier):
            _load_meanwhile(early)
            with suppress(Exception):  # raised again below, as the reading of this process
                cohort = cast("Cohort", early.result(PATIENCE))
                if told and (files := len(cohort.study.samples)):
                    told(files, files)
                return cohort
        from agreement.report.run.reading import read_for_report

        with _over(asked.samples):
            return read_for_report(place, earlier=earlier, progress=told)

    return read


def _load_meanwhile(early: Future[Any]) -> None:
    """Load what is needed later, and begin to draw, piece by piece while the other process reads."""
    # for what follows, in both processes
    import statsmodels.stats.multitest  # noqa: F401

    from agreement.report.page.machine import prepared
    from agreement.report.page.pictures import draw_ahead
    from agreement.report.run.provenance import DEPENDENCIES, version_of
    from agreement.stats.basics.welch import quiet_pingouin

    with quiet_pingouin():
        import pingouin  # noqa: F401
    for _ in chain(prepared(), map(version_of, DEPENDENCIES)):
        if early.done():
            return
    draw_ahead(early.done)


def _read_early(asked: Asked) -> Any:
    from agreement.report.run.reading import read_for_report

    load_bare()
    with quick_texts(asked.study), _over(asked.samples):
        cohort = read_for_report(asked.study, earlier=asked.earlier)
        if asked.evidence:
            cohort.evidence  # noqa: B018 - kept in the cohort
        return cohort


@contextmanager
def _over(samples: tuple[Path, str] | None) -> Iterator[None]:
    """Have raw files in the block reduced by what is kept of them, if anything is."""
    if samples is None:
        yield
        return
    from agreement.physiology.breath_tests import BREATHS_ELSEWHERE
    from agreement.physiology.session_records import SAMPLES_ELSEWHERE
    from agreement.report.run.kept_samples import KeptBreaths, KeptSamples

    file, key = samples
    with (
        SAMPLES_ELSEWHERE.by(KeptSamples(file, key)),
        BREATHS_ELSEWHERE.by(KeptBreaths(file.with_suffix(KEPT_BREATHS), key)),
    ):
        yield
