"""A scheduler and two workers as separate processes on loopback, used from the command line."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pandas as pd
import pytest
from typer.testing import CliRunner

from agreement import cli
from agreement.report.run import any_size
from agreement.scale import registry_results

pytest.importorskip("distributed", reason="clusters need the extra `scale`")
pytestmark = [
    pytest.mark.slow,
    # sockets that the library leaves to the garbage collector when nobody answers
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
    pytest.mark.filterwarnings("ignore::DeprecationWarning:distributed"),
    pytest.mark.filterwarnings("ignore::FutureWarning:distributed"),
]

OLDER = '''"""Another version of the package."""
__version__ = "0.0.1"
'''


def run(*args):
    return CliRunner().invoke(cli.app, [str(arg) for arg in args])


class Cluster:
    """Processes of one cluster; all end with it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.file = folder / "scheduler.json"
        self.started: list[subprocess.Popen] = []
        self._start(["distributed.cli.dask_scheduler", "--port", "0", "--no-dashboard"])
        self._wait(self.file.exists)
        self.address = json.loads(self.file.read_text())["address"]

    def worker(self, **environment: str) -> subprocess.Popen:
        module = ["distributed.cli.dask_worker", "--nthreads", "1", "--no-nanny", "--no-dashboard"]
        return self._start(module, **environment)

    def _start(self, module: list[str], **environment: str) -> subprocess.Popen:
        command = [sys.executable, "-m", *module, "--scheduler-file", str(self.file)]
        command += ["--interface", "lo"] if sys.platform == "linux" else []
        process = subprocess.Popen(
            command,
            cwd=self.folder,
            env=os.environ | environment,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        self.started.append(process)
        return process

    def _wait(self, ready) -> None:
        deadline = time.monotonic() + 60
        while not ready():
            assert time.monotonic() < deadline, "the cluster did not start"
            time.sleep(0.1)

    def end(self) -> None:
        for process in reversed(self.started):
            process.terminate()
        for process in reversed(self.started):
            try:
                process.wait(15)
            except subprocess.TimeoutExpired:  # asked to end while it was starting
                process.kill()
                process.wait()


@pytest.fixture
def cluster(tmp_path_factory):
    found = Cluster(tmp_path_factory.mktemp("cluster"))
    yield found
    found.end()


def tables(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*.csv")
    }


def test_a_report_by_two_workers_of_a_cluster_is_that_of_this_machine(
    cluster, registry, tmp_path, monkeypatch
):
    monkeypatch.setattr(any_size, "MOST_IN_MEMORY", 1000)
    monkeypatch.setattr(registry_results, "SAMPLE", 25)
    cluster.worker()
    cluster.worker()
    here, there = tmp_path / "here", tmp_path / "there"
    done = run("report", registry, "--out", there, "--scheduler", cluster.address)
    assert done.exit_code == 0, done.stderr
    assert run("report", registry, "--out", here, "--workers", 1).exit_code == 0
    assert tables(there) == tables(here)
    assert {"results.csv", "pairs.csv", "flow.csv"} <= set(tables(there))


def test_a_scheduler_file_does_as_well_and_check_says_the_same(cluster, registry):
    cluster.worker()
    there = run("check", registry, "--json", "--scheduler", cluster.file)
    assert there.exit_code == 0, there.stderr
    assert json.loads(there.stdout) == json.loads(
        run("check", registry, "--json", "--workers", 1).stdout
    )


def test_a_worker_lost_in_the_middle_changes_nothing(cluster, registry, tmp_path):
    lost = cluster.worker()
    cluster.worker()
    here, there = tmp_path / "here", tmp_path / "there"
    command = [sys.executable, "-m", "agreement", "pair", str(registry), "--out", str(there)]
    process = subprocess.Popen([*command, "--scheduler", cluster.address], stderr=subprocess.PIPE)
    deadline = time.monotonic() + 120
    while not list(tmp_path.glob(".there-*/spills/*.arrow")) and process.poll() is None:
        assert time.monotonic() < deadline
        time.sleep(0.01)
    lost.kill()
    said = process.communicate(timeout=120)[1].decode()
    assert process.returncode == 0, said
    assert run("pair", registry, "--out", here, "--workers", 1).exit_code == 0
    assert tables(there) == tables(here)
    assert len(pd.read_csv(there / "pairs.csv")) > 50


@pytest.mark.skipif(os.name == "nt", reason="interrupts differ there")
def test_an_interrupted_client_leaves_nothing_and_the_cluster_serves_the_next(
    cluster, registry, tmp_path
):
    cluster.worker()
    here, there = tmp_path / "here", tmp_path / "there"
    command = [sys.executable, "-m", "agreement", "pair", str(registry), "--out", str(there)]
    process = subprocess.Popen(
        [*command, "--scheduler", cluster.address],
        stderr=subprocess.PIPE,
        start_new_session=True,
    )
    deadline = time.monotonic() + 120
    while not list(tmp_path.glob(".there*/spills/*.arrow")) and process.poll() is None:
        assert time.monotonic() < deadline
        time.sleep(0.01)
    os.killpg(process.pid, signal.SIGINT)
    said = process.communicate(timeout=120)[1].decode()
    assert process.returncode == 130, said
    assert "Interrupted; nothing was written." in said
    assert "Traceback" not in said
    assert [path.name for path in tmp_path.iterdir()] == ["registry"]
    assert run("pair", registry, "--out", there, "--scheduler", cluster.address).exit_code == 0
    assert run("pair", registry, "--out", here, "--workers", 1).exit_code == 0
    assert tables(there) == tables(here)


@pytest.mark.parametrize(
    ("scheduler", "sentence"),
    [
        ("tcp://127.0.0.1:9", "No scheduler answers at tcp://127.0.0.1:9."),
        ("nowhere.json", "There is no scheduler file nowhere.json."),
        ("not an address", "No scheduler answers at not an address."),
    ],
)
def test_a_wrong_address_is_one_sentence(registry, tmp_path, scheduler, sentence, monkeypatch):
    from agreement.scale import cluster as module

    monkeypatch.setattr(module, "WAIT_S", 2)
    done = run("pair", registry, "--out", tmp_path / "out", "--scheduler", scheduler)
    assert done.exit_code == 2
    assert sentence in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    assert not (tmp_path / "out").exists()


def test_a_cluster_without_workers_is_one_sentence(cluster, registry, tmp_path, monkeypatch):
    from agreement.scale import cluster as module

    monkeypatch.setattr(module, "WAIT_S", 2)
    done = run("pair", registry, "--out", tmp_path / "out", "--scheduler", cluster.address)
    assert done.exit_code == 2
    assert "has no workers. Start some and try again." in done.stderr


def test_a_worker_with_another_version_is_one_sentence(cluster, registry, tmp_path):
    older = tmp_path / "older" / "agreement"
    older.mkdir(parents=True)
    (older / "__init__.py").write_text(OLDER)
    cluster.worker(PYTHONPATH=str(older.parent))
    done = run("check", registry, "--scheduler", cluster.address)
    assert done.exit_code == 2
    assert "has agreement 0.0.1, Python" in done.stderr
    assert "Install the same versions everywhere." in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1


@pytest.mark.parametrize("scheme", ["tls", "ucx", "made-up"])
def test_an_address_that_cannot_be_is_one_sentence_within_15_s(registry, scheme):
    began = time.monotonic()
    done = run("check", registry, "--scheduler", f"{scheme}://127.0.0.1:1")
    assert time.monotonic() - began < 15
    assert done.exit_code == 2
    assert done.stderr.startswith("Stopped: No scheduler answers at ")
    assert len(done.stderr.splitlines()) == 1


@pytest.mark.parametrize("content", ['{"type": "Sched', "[]", '{"address": 5}', "\xff", ""])
def test_a_damaged_scheduler_file_is_one_sentence(registry, tmp_path, content):
    file = tmp_path / "scheduler.json"
    file.write_text(content, encoding="latin-1")
    done = run("check", registry, "--scheduler", file)
    assert done.exit_code == 2
    assert "is no whole scheduler file: it names no address" in done.stderr
    assert len(done.stderr.splitlines()) == 1


def test_the_page_on_clusters_binds_to_named_addresses_and_says_who_can_read():
    page = (Path(__file__).parents[2] / "notebooks" / "guide" / "registry.md").read_text()
    commands = [line for line in page.splitlines() if line.lstrip().startswith(("dask ", "srun "))]
    assert commands
    assert all("--host" in line for line in commands)
    assert "require-encryption: true" in page
    assert "read every file that the workers can" in page
