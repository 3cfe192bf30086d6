"""
What a report was made of last time, kept for the next run of the same study.

A hit needs the same bytes in every file of the study (but for the text of the question, which is
shown in places known here), the same program, libraries, machine, settings and day, and the same
earlier report to count looks by. Everything else is a new run. Kept is plain JSON with a checksum,
in a folder that only the user can open: it holds rows of people. One entry for each study and kind
of report; those of an older state of the study go at once, also in a run that keeps nothing, so that
who withdrew is nowhere kept.
"""

import hashlib
import json
import os
import platform
import re
import sys
import time
import tomllib
import zoneinfo
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import cache
from io import BytesIO, TextIOWrapper
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
from agreement.report.run.templates import template
from agreement.tables.options import Kind
from agreement.tables.paths import digest_if_readable, file_digest

CACHE_VARIABLE: Final = "AGREEMENT_CACHE"  # environment: another folder; empty: keep nothing
_FORMAT: Final = 1
_MOST_FILES, _LONGEST = 20_000, timedelta(days=30)
_LONGEST_PART: Final = timedelta(hours=1)  # of a file half written by a process that was killed
_OURS: Final = re.compile(r"[0-9a-f]{24}(-[a-z]+)?\.(json|samples|breaths|figures)(?P<part>\.\d+)?")
_STUDY: Final = "study.toml"
SAMPLES, BREATHS, FIGURES = ".samples", ".breaths", ".figures"  # endings of what is kept of each
_QUESTION: Final = re.compile(
    r"""^([ \t]*question[ \t]*=[ \t]*)("(?:[^"\\\n]|\\.)*"|'[^'\n]*')""", re.MULTILINE
)
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
    # whole, study: checksums of the study with and without the text of its question
    whole: str
    study: str
    question: str  # as it stands in study.toml; empty where its text may not change
    toml: str  # checksum of study.toml
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
        toml = next(one for one in content["inputs"] if one["name"] == _STUDY)
        if body["toml"] != self.toml:
            plain = toml["sha256"] == body["toml"]
            changed[toml["sha256"]] = self.toml if plain else self._keyed_toml()
            toml["sha256"] = changed[toml["sha256"]]
        if self.question != body["question"]:
            if not (self.question and body["question"]):
                return None
            from agreement.report.page.texts import heading_block

            content["options"]["study"]["question"] = self.question
            heading = heading_block(body["title"], self.question, content["kind"])
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

    def _keyed_toml(self) -> str:
        """Return the checksum of study.toml as an audit tells it."""
        from agreement.tables.withdrawn import keyed_checksum, study_key  # they load pandas

        return keyed_checksum(study_key(self.place), self.toml)

    def keep(self, notebook: dict[str, Any], folder: Path, again: "Kept | None") -> None:
        """Keep what a run has made, if all is `again` as it was before it; never an error."""
        with suppress(OSError, ValueError, LookupError):
            content = json.loads((folder / PROVENANCE).read_bytes())
            if again is None or (again.key, again.whole) != (self.key, self.whole):
                return
            cells = notebook["cells"]
            body = {
                "earlier": self.earlier,
                "next": _for_the_next(folder, content, untouched=True),
                "question": self.question,
                "toml": self.toml,
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
            write_checked(self.file, {"key": self.key, "study": self.study}, body)

    @property
    def samples(self) -> tuple[Path, str]:
        """Where the reductions of the study's raw files are kept, and under which key."""
        told = [_FORMAT, _program(), _surroundings()]
        name = self.file.name.partition("-")[0]
        return self.file.with_name(f"{name}{SAMPLES}"), _sum(json.dumps(told).encode())


def checked_body(file: Path, key: str) -> Any:
    """Return what is kept in a file under a key; None if it is another, damaged or not there."""
    with suppress(OSError, ValueError, KeyError, TypeError):
        head, _, text = plain_bytes(file).partition(b"\n")
        told = json.loads(head)
        whole = hashlib.sha256(text).hexdigest() == told["sha256"]
        if whole and told["format"] == _FORMAT and told["key"] == key:
            return json.loads(text)
    return None


def write_checked(file: Path, head: dict[str, Any], body: Any) -> None:
    """Keep a body under its head, for this user alone; never an error."""
    with suppress(OSError, ValueError, TypeError):
        text = json.dumps(body, ensure_ascii=False).encode()
        told = {"format": _FORMAT, **head, "sha256": hashlib.sha256(text).hexdigest()}
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
        whole, study, question, toml = state
        earlier = None
        if (folder / PROVENANCE).exists():
            content = read_provenance(folder)
            history = digest_if_readable(folder / HISTORY_FILE)
            untouched = content.get("outputs", {}).get(HISTORY_FILE) == history
            earlier = _for_the_next(folder, content, untouched=untouched)
        now = datetime.now(tz=UTC).isoformat(timespec="seconds")
        told = [_FORMAT, _program(), _surroundings(), now[:10], str(date.today()), kind]
        told += [template(kind), place.name, study]
        key = _sum(json.dumps(told).encode())
        file = home / f"{name}-{kind}.json"
        return Kept(place, file, key, whole, study, question, toml, earlier, now)
    except (OSError, ValueError, AgreementError):
        return None


def drop_other_states(place: Path, target: Path) -> None:
    """Remove what is kept of other states of a study, for a run that keeps nothing itself."""
    with suppress(OSError, ValueError):
        home, name = _home(make=False), _name(place)
        if home is None or not any(home.glob(f"{name}*")):
            return
        _only_state(home, name, place, target)
        if not any(home.glob(f"{name}-*.json")):
            for kept in (SAMPLES, BREATHS, FIGURES):  # of whom, they do not tell
                (home / f"{name}{kept}").unlink(missing_ok=True)


def _only_state(
    home: Path, name: str, place: Path, target: Path
) -> tuple[str, str, str, str] | None:
    """Return the state of a study, None where it is not to be kept; entries of any other go."""
    state = None
    with suppress(OSError, ValueError):
        state = study_state(place, target)
    for other in home.glob(f"{name}*"):
        found = _OURS.fullmatch(other.name)
        if found and found["part"]:
            other.unlink(missing_ok=True)  # of a run that ended: one that has not keeps nothing
        elif found and other.suffix == ".json":
            told = None
            with suppress(OSError, ValueError, KeyError), other.open("rb") as content:
                told = json.loads(content.readline(4096))["study"]
            if state is None or told != state[1]:  # of another state, or it cannot be read
                other.unlink(missing_ok=True)
    return state


def _name(place: Path) -> str:
    """Return what the names of all that is kept of a study begin with."""
    return _sum(os.fsencode(place))[:24]


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


def study_state(place: Path, target: Path) -> tuple[str, str, str, str]:
    """Return checksums with and without the question's text, the question, that of study.toml."""
    paths: list[Path] = []
    names: list[str] = []
    inside = target.resolve()
    for root, folders, files in os.walk(place, followlinks=True):
        here = Path(root)
        names += [str((here / one).relative_to(place)) for one in folders]
        folders[:] = sorted(one for one in folders if not _output(here / one, inside))
        paths += [here / one for one in sorted(files) if not _output(here / one, inside)]
        if len(paths) > _MOST_FILES or not all(path.is_file() for path in paths):
            raise OSError("not to be kept")
    with ThreadPoolExecutor() as threads:
        sums = list(threads.map(file_digest, paths))
    listed = {str(path.relative_to(place)): one for path, one in zip(paths, sums, strict=True)}
    toml = (place / _STUDY).read_bytes()  # read once: a question goes with its own checksum
    listed[_STUDY] = _sum(toml)
    with TextIOWrapper(BytesIO(toml), encoding="utf-8") as lines:
        blanked, question = _without_question(lines.read())
    dirs = sorted(one for one in names if not _output(place / one, inside) or place / one == inside)
    whole = _sum(json.dumps([dirs, listed]).encode())
    rest = _sum(json.dumps([dirs, listed | {_STUDY: blanked}]).encode())
    return whole, rest, question, listed[_STUDY]


def _output(path: Path, target: Path) -> bool:
    """Whether a path is the output, or what a run writes beside it."""
    name = path.name
    if name.startswith(f".{target.name}.agreement-") and path.parent.resolve() == target.parent:
        return True
    same = name.casefold() == target.name.casefold() or path.is_symlink()
    return same and path.resolve() == target


def _without_question(text: str) -> tuple[str, str]:
    """Return study.toml with an empty question, and the question where that changes nothing else."""
    read = tomllib.loads(text)
    question = read.get("study", {}).get("question")
    blanked, times = _QUESTION.subn(r'\1""', text)
    if times == 1 and isinstance(question, str) and question.isprintable():
        read["study"]["question"] = ""
        if tomllib.loads(blanked) == read:
            return blanked, question
    return text, ""


def _sum(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


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
    own = [(name.removeprefix(str(root)), _sum(Path(name).read_bytes())) for name in files]
    return _sum(json.dumps([own, libraries]).encode())


def _surroundings() -> list[str]:
    """Return what else a number or a sentence may hang on: interpreter, machine, zones."""
    set_ = sorted(f"{k}={v}" for k, v in os.environ.items() if k.startswith(_SETTINGS))
    zones = [Path(one) / "tzdata.zi" for one in zoneinfo.TZPATH]
    known = [file_digest(one) for one in zones if one.is_file()]
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
    return home
