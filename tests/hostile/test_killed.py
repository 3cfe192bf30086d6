"""Killed at any point, a run leaves the old output whole or the new one whole, and nothing else."""

import hashlib
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from small_study import BARE, write_folder

from agreement.report.run.own_report import changed_files

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="counts processes under /proc")
SEED = int(os.environ.get("KILL_SEED", "20260101"))
# a process that kills itself at its n-th step on files of the output's folder
DIE = """
import os, signal, sys
left = int(os.environ["DIE_AT"])
def hook(event, args):
    global left
    if event in ("open", "os.rename", "os.mkdir", "os.remove", "os.rmdir", "os.listdir",
                 "os.scandir", "ctypes.dlsym", "ctypes.call_function"):
        if event.startswith("ctypes") or os.environ["DIE_IN"] in str(args[0]):
            left -= 1
            if left <= 0:
                os.kill(os.getpid(), signal.SIGKILL)
sys.addaudithook(hook)
"""


def command(*arguments):
    return [sys.executable, "-m", "agreement", *map(str, arguments)]


def digests(place: Path) -> dict[str, str]:
    """Return the checksum of every file below a place, or of the file itself."""
    paths = [place] if place.is_file() else sorted(p for p in place.rglob("*") if p.is_file())
    return {
        p.relative_to(place.parent).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in paths
    }


def numbers(out: Path) -> dict[str, str]:
    """Return the checksums that two runs share: not of what carries a time or a random name."""
    return {n: d for n, d in digests(out).items() if n.endswith((".csv", ".txt", ".toml", ".svg"))}


def alive(mark: str) -> list[str]:
    """Return the processes that carry a mark."""
    found = []
    for process in Path("/proc").iterdir():
        try:
            if process.name.isdigit() and mark.encode() in (process / "environ").read_bytes():
                found.append((process / "cmdline").read_bytes().replace(b"\0", b" ").decode())
        except OSError:  # it has just ended
            continue
    return found


class Trial:
    """One command, its old and its new output, and a folder where it is killed again and again."""

    def __init__(self, root: Path, name: str) -> None:
        root.mkdir()
        self.name, self.place = name, root / "here"
        self.place.mkdir()
        first, second = root / "first", root / "second"
        write_folder(BARE, first / "crew")
        changed = BARE["field_estimates.csv"].replace(b"run,50", b"run,51.4")
        write_folder(BARE | {"field_estimates.csv": changed}, second / "crew")
        self.study = second / "crew"
        self.out = self.place / ("out.csv" if name == "estimate" else "out")
        if name == "share":
            for one in (first, second):
                subprocess.run(
                    command("report", one / "crew", "--out", one / "report"),
                    check=True, capture_output=True,
                )  # fmt: skip
        self.before = digests(second)
        if name != "new":
            self.run(first)
        self.old = numbers(self.out) if name != "new" else {}
        started = time.monotonic()
        self.run(second)
        self.seconds = time.monotonic() - started
        self.new = numbers(self.out)
        assert self.old != self.new
        if name == "new":
            self.clear()

    def clear(self) -> None:
        for path in sorted(self.out.rglob("*"), reverse=True):
            path.unlink()
        self.out.rmdir()

    def arguments(self, root: Path) -> list[str]:
        if self.name == "new":
            return command("new", self.out)
        source = root / "report" if self.name == "share" else root / "crew"
        return command(self.name, source, "--out", self.out)

    def run(self, root: Path) -> None:
        subprocess.run(self.arguments(root), check=True, capture_output=True)

    def killed(self, rng: random.Random, hook: Path) -> str:
        """Start it, kill it at a random time or step, check what is left; return how it ended."""
        mark = f"TRIAL={rng.getrandbits(60)}"
        environment = os.environ | dict([mark.split("=")])
        at_step = rng.random() < 0.6
        if at_step:
            environment |= {
                "DIE_AT": str(rng.randint(1, 30)),
                "DIE_IN": str(self.place),
                "PYTHONPATH": str(hook),
            }
        process = subprocess.Popen(
            self.arguments(self.study.parent),
            env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            start_new_session=True,
        )  # fmt: skip
        if at_step:
            process.wait(timeout=120)
        else:
            time.sleep(rng.uniform(0, self.seconds))
            process.send_signal(signal.SIGKILL)
            process.wait()
        self.check(mark)
        return "killed" if process.returncode == -signal.SIGKILL else "done"

    def check(self, mark: str) -> None:
        deadline = time.monotonic() + 20
        while (left := alive(mark)) and time.monotonic() < deadline:
            time.sleep(0.1)
        assert not left
        assert digests(self.study.parent) == self.before, "an input was changed"
        now = numbers(self.out) if self.out.exists() else {}
        assert now in (self.old, self.new), "neither the old output nor the new one"
        if self.out.is_dir() and self.name != "new":
            assert changed_files(self.out) == []
        shown = [p.name for p in self.place.iterdir() if not p.name.startswith(".")]
        assert shown in ([], [self.out.name])
        if self.name == "new" and self.out.exists():
            self.clear()

    def next_run_succeeds(self) -> None:
        self.run(self.study.parent)
        assert [p.name for p in self.place.iterdir()] == [self.out.name]
        assert numbers(self.out) == self.new


def kill_again_and_again(root: Path, times: dict[str, int]) -> None:
    sys.stdout.write(f"seed {SEED}: KILL_SEED={SEED} repeats this\n")
    hook = root / "hook"
    hook.mkdir()
    (hook / "sitecustomize.py").write_text(DIE, encoding="utf-8")
    rng = random.Random(SEED)
    for name, count in times.items():
        trial = Trial(root / name, name)
        if name == "share":  # its pseudonyms are new each time; the rest is the same
            trial.old, trial.new = ({}, {})
            trial.check = lambda mark, trial=trial: check_shared(trial, mark)
            trial.next_run_succeeds = lambda trial=trial: trial.run(trial.study.parent)
        ends = []
        for _ in range(count):
            ends.append(trial.killed(rng, hook))
            if rng.random() < 0.2:
                trial.next_run_succeeds()
                if name == "new":
                    trial.clear()
        trial.next_run_succeeds()
        sys.stdout.write(f"{name}: {ends.count('killed')} of {count} killed before the end\n")
        assert "killed" in ends


def check_shared(trial: Trial, mark: str) -> None:
    assert not alive(mark)
    assert digests(trial.study.parent) == trial.before, "an input was changed"
    assert changed_files(trial.out) == []
    assert [p.name for p in trial.place.iterdir() if not p.name.startswith(".")] == ["out"]


@pytest.mark.slow
@pytest.mark.parametrize("name", ["report", "pair"])
def test_what_a_run_started_ends_when_the_run_is_killed(tmp_path, name):
    """The kernel of a report, the worker processes of a registry: none outlives its parent."""
    if name == "report":
        study, more = write_folder(BARE, tmp_path / "crew"), ("--kernel",)
    else:
        pytest.importorskip("pyarrow", reason="studies in parts need the extra `scale`")
        study, more = write_parts(tmp_path / "crew"), ("--workers", "2")
    mark = f"ORPHAN={random.getrandbits(60)}"
    process = subprocess.Popen(
        command(name, study, "--out", tmp_path / "out", *more),
        env=os.environ | dict([mark.split("=")]),
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True,
    )  # fmt: skip
    deadline = time.monotonic() + 60
    while len(alive(mark)) < (2 if name == "report" else 3) and time.monotonic() < deadline:
        assert process.poll() is None, "it was over before anything was started"
        time.sleep(0.02)
    process.send_signal(signal.SIGKILL)  # it alone, as when memory runs out
    process.wait()
    deadline = time.monotonic() + 20
    while alive(mark) and time.monotonic() < deadline:
        time.sleep(0.1)
    assert alive(mark) == []


def write_parts(root: Path) -> Path:
    """Write the small study with its estimates in parts, long enough for workers to be busy."""
    write_folder(BARE, root)
    whole = (root / "field_estimates.csv").read_text(encoding="utf-8")
    (root / "field_estimates.csv").unlink()
    (root / "field_estimates").mkdir()
    head, *lines = whole.splitlines()
    for part in range(4):
        text = "\n".join([head, *(lines * 20_000)]) + "\n"
        (root / "field_estimates" / f"part-{part}.csv").write_text(text, encoding="utf-8")
    return root


@pytest.mark.long
def test_thirty_kills_leave_the_old_or_the_new_output_whole(tmp_path):
    kill_again_and_again(tmp_path, {"pair": 10, "estimate": 8, "new": 10, "report": 2})


@pytest.mark.long
def test_two_hundred_kills_leave_the_old_or_the_new_output_whole(tmp_path):
    times = {"pair": 60, "estimate": 50, "new": 60, "share": 22, "report": 16}
    kill_again_and_again(tmp_path, times)
