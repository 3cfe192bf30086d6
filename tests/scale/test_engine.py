"""One function over many items, in this process or in several."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from agreement.errors import AgreementError
from agreement.scale.engine import LocalEngine, engine

sys.path.insert(0, str(Path(__file__).parent))  # workers get the same path
import engine_work  # found by the line above


@pytest.mark.parametrize("workers", [1, 2])
def test_results_stand_in_the_order_of_the_items(workers):
    seen = []
    found = LocalEngine(workers).map(
        engine_work.squared, 100, range(9), progress=lambda *told: seen.append(told), stage="Sums"
    )
    assert found == [100, 101, 104, 109, 116, 125, 136, 149, 164]
    assert [told[0] for told in seen] == list(range(1, 10))
    assert {told[1:] for told in seen} == {(9, "Sums")}


@pytest.mark.slow
def test_what_a_lost_worker_had_is_done_again(tmp_path):
    found = LocalEngine(2).map(engine_work.squared_after_one_loss, tmp_path, range(12))
    assert (tmp_path / "lost").exists()
    assert found == [i * i for i in range(12)]


@pytest.mark.slow
def test_workers_lost_again_and_again_end_with_one_sentence():
    with pytest.raises(AgreementError, match=r"lost 3 times, most likely for want of memory"):
        LocalEngine(2).map(engine_work.always_lost, None, range(4))


def test_workers_and_scheduler_exclude_each_other():
    with pytest.raises(AgreementError, match="not both"), engine(2, "tcp://127.0.0.1:1"):
        pass
    with pytest.raises(AgreementError, match="1 or more; got 0"), engine(0):
        pass


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="interrupts differ there")
def test_an_interrupt_leaves_nothing_half_written(registry, tmp_path):
    out = tmp_path / "out"
    command = [sys.executable, "-m", "agreement", "pair", str(registry), "--out", str(out)]
    process = subprocess.Popen(
        [*command, "--workers", "2"], stderr=subprocess.PIPE, text=True, start_new_session=True
    )
    deadline = time.monotonic() + 120
    while not list(tmp_path.glob(".out.agreement-*/spills/rows-*")):  # the workers are at work
        assert time.monotonic() < deadline
        assert process.poll() is None
        time.sleep(0.005)
    os.killpg(process.pid, signal.SIGINT)  # what a terminal does: parent and workers alike
    said = process.communicate(timeout=120)[1]
    assert process.returncode == 130, said
    assert "Interrupted; nothing was written." in said
    assert "Traceback" not in said
    assert [path.name for path in tmp_path.iterdir()] == ["registry"]


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="processes end differently there")
def test_a_worker_killed_while_it_pairs_changes_nothing(registry, tmp_path):
    psutil = pytest.importorskip("psutil")
    whole, again = tmp_path / "whole", tmp_path / "again"
    start = [sys.executable, "-m", "agreement", "pair", str(registry), "--out"]
    subprocess.run([*start, str(whole), "--workers", "1"], check=True, stderr=subprocess.DEVNULL)
    process = subprocess.Popen(
        [*start, str(again), "--workers", "2"], stderr=subprocess.PIPE, text=True
    )
    deadline = time.monotonic() + 120
    while not list(tmp_path.glob(".again.agreement-*/spills/rows-*")):
        assert time.monotonic() < deadline
        assert process.poll() is None
        time.sleep(0.005)
    family = psutil.Process(process.pid).children(recursive=True)
    above = {one.ppid() for one in family}
    leaves = [one for one in family if one.pid not in above and one.ppid() != process.pid]
    leaves[0].kill()  # a worker: the server that it was forked from lives on
    assert process.wait(120) == 0, process.stderr.read()
    process.stderr.close()
    names = [path.relative_to(whole) for path in whole.rglob("*.csv")]
    assert len(names) == 3
    for name in names:
        assert (again / name).read_bytes() == (whole / name).read_bytes()
