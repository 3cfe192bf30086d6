"""
Do the tests notice when a line of `agreement/stats` or `agreement/pairing` is wrong?

Run by hand, in an environment with the development group, from anywhere:

    python tests/mutants/mutate.py --folder FOLDER --count 300 --seed 20260101

The committed tree is copied, one small fault (a mutant) is put into the copy, the test files that
run the faulty module are run until one fails, and the next mutant follows. A mutant that no test
notices is a survivor: a test is missing, or the fault changes nothing that can be seen. Results go
to `results.jsonl` in the folder; a run that was stopped goes on where it was. `SURVIVORS.md` holds
the last full run and says why each survivor may live.
"""

import argparse
import json
import os
import random
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from faults import Fault, faults_of

ROOT = Path(__file__).parents[2]
MUTATED = ("agreement/stats", "agreement/pairing")
TESTS = ("tests/stats/test_*.py", "tests/pairing/test_*.py", "tests/contract/test_contract_*.py")
LONGEST_FILE_S = 25.0  # of processor time; a slower test file is not asked
NO_TESTS = 5  # what pytest answers when every test is marked slow
LIMIT_S = 900.0  # a run of this length hangs, even on a busy machine: noticed
PYTEST = ("-m", "pytest", "-q", "-x", "--no-header", "-p", "no:cacheprovider", "-p", "no:xdist")


def main() -> None:
    """Copy, map, sample, run."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--folder", type=Path, required=True)
    asked.add_argument("--count", type=int, default=300)
    asked.add_argument("--seed", type=int, default=20260101)
    asked.add_argument("--again", action="store_true", help="run the survivors of results.jsonl")
    options = asked.parse_args()
    tree = options.folder / "tree"
    if not tree.exists():
        copy_of_the_committed_tree(tree)
    lines = lines_run_by_each_test_file(tree, options.folder / "map.json")
    results = options.folder / "results.jsonl"
    done = {one["name"]: one for one in read_lines(results)}
    if options.again:
        results = options.folder / "again.jsonl"
        wanted = {name for name, one in done.items() if one["outcome"] != "noticed"}
        done = {}
    sample = random.Random(options.seed).sample(all_faults(tree), options.count)
    for fault in sample:
        if fault.name in done or (options.again and fault.name not in wanted):
            continue
        outcome = {"name": fault.name, **tried(tree, fault, lines)}
        with results.open("a", encoding="utf-8") as out:
            out.write(json.dumps(outcome) + "\n")
        print(outcome["outcome"], outcome["seconds"], fault.name, flush=True)  # noqa: T201 a script


def copy_of_the_committed_tree(tree: Path) -> None:
    """The mutants live in a copy: the checkout is never touched."""
    tree.mkdir(parents=True)
    packed = subprocess.run(["git", "archive", "HEAD"], cwd=ROOT, capture_output=True, check=True)
    subprocess.run(["tar", "-x", "-C", str(tree)], input=packed.stdout, check=True)


def read_lines(path: Path) -> Iterator[dict[str, str]]:
    """Outcomes written so far."""
    if path.exists():
        yield from map(json.loads, path.read_text(encoding="utf-8").splitlines())


def all_faults(tree: Path) -> list[Fault]:
    """Every fault of every file, in an order that only the sources decide."""
    files = sorted(path for part in MUTATED for path in (tree / part).rglob("*.py"))
    return [fault for path in files for fault in faults_of(path, tree)]


def lines_run_by_each_test_file(tree: Path, cache: Path) -> dict[str, dict[str, list[int]]]:
    """Test file -> source file -> lines it runs, fastest test file first."""
    known = json.loads(cache.read_text(encoding="utf-8")) if cache.exists() else {}
    for path in sorted(path for pattern in TESTS for path in tree.glob(pattern)):
        name = path.relative_to(tree).as_posix()
        if name not in known:
            known[name] = lines_run_by(tree, name, cache.with_suffix(".coverage"))
            cache.write_text(json.dumps(known), encoding="utf-8")
    quick = {name: one for name, one in known.items() if 0 < one["seconds"] <= LONGEST_FILE_S}
    return {name: quick[name]["lines"] for name in sorted(quick, key=lambda n: quick[n]["seconds"])}


def lines_run_by(tree: Path, name: str, data: Path) -> dict[str, object]:
    """Run one test file without a fault."""
    started = os.times()
    code = run(tree, "-m", "coverage", "run", f"--data-file={data}", *PYTEST, name)
    ended = os.times()
    if code == NO_TESTS:
        return {"seconds": 0.0, "lines": {}}
    if code:
        message = f"{name} fails without a fault"
        raise RuntimeError(message)
    report = data.with_suffix(".report.json")
    run(tree, "-m", "coverage", "json", "-q", f"--data-file={data}", "-o", str(report))
    files = json.loads(report.read_text(encoding="utf-8"))["files"]
    lines = {one: files[one]["executed_lines"] for one in files if one.startswith(MUTATED)}
    return {"seconds": ended.children_user - started.children_user, "lines": lines}


def tried(tree: Path, fault: Fault, lines: dict[str, dict[str, list[int]]]) -> dict[str, object]:
    """Put the fault in, run the tests that pass its line, take it out again."""
    path = tree / fault.file
    before = path.read_bytes()
    tests = [name for name, ran in lines.items() if fault.line in ran.get(fault.file, ())]
    own = f"test_{path.stem}.py"
    tests.sort(key=lambda name: not name.endswith(own))  # stable: its own test first, then by speed
    started = time.monotonic()
    try:
        path.write_text(fault.source(tree), encoding="utf-8")
        code = run(tree, *PYTEST, *tests) if tests else 0
    finally:
        path.write_bytes(before)
    outcome = "not run" if not tests else "survived" if code == 0 else "noticed"
    return {"outcome": outcome, "seconds": round(time.monotonic() - started, 1)}


def run(tree: Path, *command: str) -> int:
    """Run Python in the copy; a run past the limit counts as failed."""
    environment = os.environ | {"PYTHONPATH": str(tree), "PYTHONDONTWRITEBYTECODE": "1"}
    try:
        return subprocess.run(
            [sys.executable, *command],
            cwd=tree,
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            timeout=LIMIT_S,
            check=False,
        ).returncode
    except subprocess.TimeoutExpired:
        return 1


if __name__ == "__main__":
    main()
