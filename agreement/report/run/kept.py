"""
What a report was made of last time, kept for the next run of the same study.

A hit needs the same study (see `study_state`; the question's text is shown in places known here), the
same program, libraries, machine, settings and day, and the same earlier report to count looks by.
Everything else is a new run. Kept is plain JSON with a checksum, in a folder that only the user can
open: it holds rows of people. One entry for each study and kind of report; those of an older state of
the study go at once, also in a run that keeps nothing, and all of a study that cannot be read, has
left its place or was changed during the run, so that who withdrew is nowhere kept.
"""

import json
import os
import platform
import re
import sys
import time
import zoneinfo
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any, Final

from agreement.errors import AgreementError
from agreement.report.run.folder import (
    HISTORY_FILE,
    JUDGED,
    PROVENANCE,
    plain_bytes,
    provenance_bytes,
)
from agreement.report.run.own_report import read_provenance
from agreement.report.run.study_state import StudyState, checksum, study_state
from agreement.report.run.templates import template
from agreement.tables.options import STUDY_FILE, Kind
from agreement.tables.paths import digest_if_readable

CACHE_VARIABLE: Final = "AGREEMENT_CACHE"  # environment: another folder; empty: keep nothing
_FORMAT: Final = 1
_LONGEST: Final = timedelta(days=30)
_LONGEST_PART: Final = timedelta(hours=1)  # of a file half written by a process that was killed
_OURS: Final = re.compile(
    r"[0-9a-f]{24}(-[a-z]+)?\.(json|samples|breaths|figures|place)(?P<part>\.\d+)?"
)
# endings of what is kept of each, and of a file that says where the study stands
KEPT_SAMPLES, KEPT_BREATHS, FIGURES, PLACE = ".samples", ".breaths", ".figures", ".place"
_SETTINGS: Final = ("LANG", "LC_", "TZ", "OMP_", "OPENBLAS_", "MKL_", "BLIS_", "NPY_", "PYTHONHASH")
README: Final = """What `agreement report` keeps, to be quick when a study has not changed.
It holds rows of people. Delete this folder whenever you like; `--no-cache` keeps nothing.
"""


@dataclass(frozen=True, slots=True)
class Kept:
    """The place of one study and kind of report among what is kept, and what it must match."""

    # place, file: the study, and where its report is kept
    place: Path
    file: Path
    key: str  # of all that the report depends on, but the question's text
    state: StudyState
    earlier: Any  # what the earlier report in the output leaves for this one
    now: str  # when the run began

    def restore(self, folder: Path) -> dict[str, Any] | None:
        """
        Write the kept files of a report and return its executed notebook; None if none fits.

        The time of the report, the question and the checksum of study.toml are those of now.
        """
        body = checked_body(self.file, self.key)
        if body is None or body["earlier"] not in (self.earlier, None):
            return None
        if body["earlier"] != self.earlier and body["next"] != self.earlier:
            return None  # to write a report again changes nothing
        content, notebook = body["provenance"], body["notebook"]
        changed = {content["created"]: self.now}
        content["created"] = self.now
        toml = next(one for one in content["inputs"] if one["name"] == STUDY_FILE)
        if body["toml"] != self.state.toml:
            now = self.state.toml
            if toml["sha256"] != body["toml"]:  # an audit's is made with the study's key
                from agreement.tables.withdrawn import keyed_checksum, study_key  # they load pandas

                now = keyed_checksum(study_key(self.place), now)
            changed[toml["sha256"]] = toml["sha256"] = now
        if self.state.question != body["question"]:
            if not (self.state.question and body["question"]):
                return None
            from agreement.report.page.texts import heading_block

            content["options"]["study"]["question"] = self.state.question
            heading = heading_block(body["title"], self.state.question, content["kind"])
            shown = {"text/html": heading._repr_html_(), "text/plain": repr(heading)}
            notebook["cells"][body["heading"]]["outputs"][0]["data"] = shown
        for cell in notebook["cells"]:
            if cell["source"].startswith("show(report.provenance("):
                data = cell["outputs"][0]["data"]
                for before, now in changed.items():
                    data["text/html"] = data["text/html"].replace(before, now)
        (folder / HISTORY_FILE).unlink(missing_ok=True)  # the earlier one's: see `Page.save`
        for name, text in body["files"].items():
            path = folder / name
            path.parent.mkdir(exist_ok=True)
            path.write_bytes(text.encode())
        (folder / PROVENANCE).write_bytes(provenance_bytes(content))
        return dict(notebook)

    def keep(self, notebook: dict[str, Any], folder: Path, again: "Kept | None") -> None:
        """Keep what a run has made, if all is `again` as it was before it; never an error."""
        self.drop_if_changed(again)
        with suppress(OSError, ValueError, LookupError):
            content = json.loads((folder / PROVENANCE).read_bytes())
            if again is None or (again.key, again.state) != (self.key, self.state):
                return
            cells = notebook["cells"]
            body = {
                "earlier": self.earlier,
                "next": _for_the_next(folder, content, untouched=True),
                "question": self.state.question,
                "toml": self.state.toml,
                "title": content["options"]["study"]["title"] or content["study"],
                "heading": ["report.heading(" in one["source"] for one in cells].index(True),
                "provenance": content,
                "notebook": notebook,
                "files": {
                    path.relative_to(folder).as_posix(): path.read_bytes().decode()
                    for path in sorted(folder.rglob("*"))
                    if path.is_file() and path != folder / PROVENANCE
                },
            }
            write_checked(self.file, {"key": self.key, "study": self.state.rest}, body)

    def drop_if_changed(self, again: "Kept | None") -> None:
        """
        Remove all that is kept of a study that was changed while the run went on.

        The run kept parts of what it read then: somebody may have withdrawn since.
        """
        if again is None or again.state.given != self.state.given:
            with suppress(OSError):
                _drop(self.file.parent, self.file.name.partition("-")[0])

    @property
    def samples(self) -> tuple[Path, str]:
        """Where the reductions of the study's raw files are kept, and under which key."""
        told = [_FORMAT, _program(), _surroundings()]
        name = self.file.name.partition("-")[0]
        return self.file.with_name(f"{name}{KEPT_SAMPLES}"), checksum(json.dumps(told).encode())


def checked_body(file: Path, key: str) -> Any:
    """Return what is kept in a file under a key; None if it is another, damaged or not there."""
    with suppress(OSError):
        head, _, text = plain_bytes(file).partition(b"\n")
        found = _head(head)
        wanted = {"format": _FORMAT, "key": key, "sha256": checksum(text)}
        if wanted.items() <= found.items():
            return json.loads(text)
    return None


def _head(line: bytes) -> dict[str, Any]:
    """Return the first line of what is kept; empty where it is damaged."""
    with suppress(ValueError, RecursionError):
        told = json.loads(line)
        if isinstance(told, dict):
            return told
    return {}


def write_checked(file: Path, head: dict[str, Any], body: Any) -> None:
    """Keep a body under its head, for this user alone; never an error."""
    with suppress(OSError, ValueError, TypeError):
        text = json.dumps(body, ensure_ascii=False).encode()
        told = {"format": _FORMAT, **head, "sha256": checksum(text)}
        part = file.with_name(f"{file.name}.{os.getpid()}")  # files differ in their endings alone
        try:
            with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as out:
                out.write(json.dumps(told).encode() + b"\n" + text)
            part.replace(file)
        finally:
            part.unlink(missing_ok=True)


@contextmanager
def kept_figures(place: tuple[Path, str] | None) -> Iterator[None]:
    """Have figures of the block that are drawn of the same as in the last run taken from it."""
    if place is None:
        yield
        return
    from agreement.report.page.pictures import keeping

    file, key = place[0].with_suffix(FIGURES), place[1]
    body = checked_body(file, key) or {}
    with suppress(OSError):
        file.unlink()
    with keeping({name: (svg, tuple(tops)) for name, (svg, tops) in body.items()}) as used:
        yield
        write_checked(file, {"key": key}, used)


def kept_report(place: Path, kind: Kind, folder: Path, target: Path) -> Kept | None:
    """
    Return where a report of a study would be kept; None where nothing can be.

    folder: the unfinished output, with the provenance of the earlier report if there is one.
    target: where the output ends up; not a part of the study, should it lie inside.
    """
    try:
        home = _home()
        if home is None:
            return None
        name = _name(place)
        state = _only_state(home, name, place, target)
        if state is None:
            return None
        (home / f"{name}{PLACE}").write_bytes(os.fsencode(place))
        earlier = None
        if (folder / PROVENANCE).exists():
            content = read_provenance(folder)
            history = digest_if_readable(folder / HISTORY_FILE)
            untouched = content.get("outputs", {}).get(HISTORY_FILE) == history
            earlier = _for_the_next(folder, content, untouched=untouched)
        now = datetime.now(tz=UTC).isoformat(timespec="seconds")
        told = [_FORMAT, _program(), _surroundings(), now[:10], str(date.today()), kind]
        told += [template(kind), place.name, state.rest]
        key = checksum(json.dumps(told).encode())
        file = home / f"{name}-{kind}.json"
        return Kept(place, file, key, state, earlier, now)
    except (OSError, ValueError, AgreementError):
        return None


def drop_other_states(place: Path, target: Path) -> None:
    """Remove what is kept of other states of a study, for a run that keeps nothing itself."""
    with suppress(OSError, ValueError):
        home, name = _home(make=False), _name(place)
        if home is None or not any(home.glob(f"{name}*")):
            return
        _only_state(home, name, place, target)
        if not any(home.glob(f"{name}-*.json")):  # of whom the others are, they do not tell
            _drop(home, name)


def _only_state(home: Path, name: str, place: Path, target: Path) -> StudyState | None:
    """Return the state of a study, None where it is not to be kept; entries of any other go."""
    try:
        state = study_state(place, target)
    except (OSError, ValueError):
        _drop(home, name)
        return None
    for other in home.glob(f"{name}*"):
        found = _OURS.fullmatch(other.name)
        if found and found["part"]:
            other.unlink(missing_ok=True)  # of a run that ended: one that has not keeps nothing
        elif found and other.suffix == ".json":
            with other.open("rb") as content:
                told = _head(content.readline(4096))
            if told.get("study") != state.rest:
                other.unlink(missing_ok=True)
    return state


def _drop(home: Path, name: str) -> None:
    """Remove all that is kept of a study."""
    for one in home.glob(f"{name}*"):
        if _OURS.fullmatch(one.name):
            one.unlink(missing_ok=True)


def _name(place: Path) -> str:
    """Return what the names of all that is kept of a study begin with."""
    return checksum(os.fsencode(place))[:24]


def _for_the_next(folder: Path, content: dict[str, Any], *, untouched: bool) -> dict[str, Any]:
    """Return all of a report that the next one in its place reads."""
    history = folder / HISTORY_FILE
    return {
        "judged": content.get(JUDGED),
        "kind": content.get("kind"),
        "inputs": [one["name"] for one in content["inputs"]],
        "history": plain_bytes(history).decode() if history.exists() else None,
        "untouched": untouched,
    }


@cache
def _program() -> str:
    """Return the checksum of this program's own files, and the versions of all libraries."""
    root = Path(__file__).parents[2]
    files = sorted(
        os.path.join(folder, name)  # noqa: PTH118 - a thousand of them
        for folder, _, names in os.walk(root)
        for name in names
        if not (folder.endswith("__pycache__") or name.endswith((".pyc", ".ipynb")))
    )
    there = [place for place in sys.path if Path(place).is_dir()]
    found = {one for place in there for one in os.listdir(place)}  # noqa: PTH208 - as above
    libraries = sorted(one for one in found if one.endswith((".dist-info", ".egg-info")))
    own = [(name.removeprefix(str(root)), checksum(Path(name).read_bytes())) for name in files]
    return checksum(json.dumps([own, libraries]).encode())


def _surroundings() -> list[str]:
    """Return what else a number or a sentence may hang on: interpreter, machine, zones."""
    set_ = sorted(f"{k}={v}" for k, v in os.environ.items() if k.startswith(_SETTINGS))
    zones = [one for one in map(Path, zoneinfo.TZPATH) if one.is_dir()]
    known = [f"{digest_if_readable(one / 'tzdata.zi')} {one.stat().st_mtime_ns}" for one in zones]
    return [sys.version, platform.platform(), platform.node(), *known, *set_]


def _home(*, make: bool = True) -> Path | None:
    """Return the folder of the user alone in which reports are kept; None where there is none."""
    stated = os.environ.get(CACHE_VARIABLE)
    if stated == "":
        return None
    if stated is not None:
        home = Path(stated)
    elif sys.platform == "win32":
        home = Path(os.environ["LOCALAPPDATA"]) / "agreement"
    elif sys.platform == "darwin":
        home = Path.home() / "Library" / "Caches" / "agreement"
    else:
        home = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "agreement"
    if not (make or home.is_dir()):
        return None
    home.mkdir(mode=0o700, parents=True, exist_ok=True)
    if hasattr(os, "getuid"):
        found = home.lstat()
        if found.st_uid != os.getuid() or found.st_mode & 0o077 or home.is_symlink():
            return None  # others may look or write there
    readme = home / "README.txt"
    if not readme.exists():
        readme.write_text(README, encoding="utf-8")
    for old in home.iterdir():
        if ours := _OURS.fullmatch(old.name):
            most = _LONGEST_PART if ours["part"] else _LONGEST
            with suppress(OSError):  # another run was quicker
                if time.time() - old.stat().st_mtime > most.total_seconds():
                    old.unlink()
                elif old.suffix == PLACE:
                    stands = plain_bytes(old)  # empty while another run writes it
                    if stands and not os.path.isdir(stands):  # noqa: PTH112 - bytes
                        _drop(home, old.stem)  # who withdraws where it stands now is in here
    return home
