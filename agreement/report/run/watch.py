"""
Keep a report as its study is: written again at each change, in a process that stays warm.

While it watches, the page asks its browser to load it again now and then; at the end it no longer
does, and the folder is what a single run would have written.
"""

import hashlib
import json
import os
import time
from collections.abc import Callable, Generator
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

from agreement.errors import AgreementError
from agreement.report.run.folder import PAGE, PROVENANCE, provenance_bytes
from agreement.report.run.write import WrittenReport, write_report
from agreement.signals import HEARD
from agreement.tables.whole_output import whole_file

_LOOK_S: Final = 0.3
_LOAD_AGAIN_S: Final = 3
_CHARSET: Final = '<meta charset="utf-8">\n'
_REFRESH: Final = f'<meta http-equiv="refresh" content="{_LOAD_AGAIN_S}">\n'


def watched_reports(
    study: Path, out: Path | None, **ways: Any
) -> Generator[WrittenReport | AgreementError, None, None]:
    """
    Write a report now and after each change of the study, until the caller stops.

    **ways: as for `agreement.report.run.write.write_report`.
    Yields: what was written, or what is wrong with the study as it is now; the last report stays.
    """
    target: Path | None = None
    try:
        while True:
            seen = _stamps(study)
            try:
                written = write_report(study, out, **ways)
                target = written.folder
                _rewrite(target / PAGE, _CHARSET, _CHARSET + _REFRESH)
                yield written
            except AgreementError as error:
                yield error
            _wait(lambda seen=seen: _stamps(study) != seen)  # type: ignore[misc] # bound now
    finally:
        HEARD.clear()  # the end that was asked for: a plain page is a part of it
        if target is not None:
            _rewrite(target / PAGE, _REFRESH, "")


def _wait(changed: Callable[[], bool]) -> None:
    """Return some moments after something has changed: an editor may write several files."""
    while not changed():
        time.sleep(_LOOK_S)
    time.sleep(_LOOK_S)


def _stamps(study: Path) -> dict[str, tuple[int, int]]:
    """Return when and how large each file is; ours, which begin with a dot, aside."""
    found, looked_into = {}, set[str]()
    for root, folders, files in os.walk(study, followlinks=True):
        place = os.path.realpath(root)
        if place in looked_into:  # links that meet would lead round for ever
            folders.clear()
            continue
        looked_into.add(place)
        folders[:] = [
            one
            for one in folders
            if not (one.startswith(".") or (Path(root) / one / PROVENANCE).exists())
        ]
        for name in files:
            with suppress(OSError):
                about = (Path(root) / name).stat()
                if not name.startswith("."):
                    found[f"{root}/{name}"] = (about.st_mtime_ns, about.st_size)
    return found


def _rewrite(page: Path, old: str, new: str) -> None:
    """Replace a line of a page that is in its place, and the page's checksum; no other file."""
    text = page.read_bytes().replace(old.encode(), new.encode(), 1)
    told = page.with_name(PROVENANCE)
    content = json.loads(told.read_bytes())
    content["outputs"][page.name] = hashlib.sha256(text).hexdigest()
    for path, whole in ((page, text), (told, provenance_bytes(content))):
        with whole_file(path) as file:
            file.write(whole)
