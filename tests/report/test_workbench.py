"""`agreement open`: the notebook beside the study, in a JupyterLab that asks the network for nothing."""

import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from urllib.error import URLError
from urllib.request import urlopen

import nbformat
import pytest
from jupyter_client import KernelManager
from nbformat.sign import NotebookNotary
from turns import slowly

from agreement.errors import OutputError
from agreement.report.run.workbench import kernel_surroundings, opened


def test_the_copy_names_the_study_and_stays_as_the_analyst_left_it(small_study, tmp_path):
    study = small_study(tmp_path / "crew")
    notebook = opened(study, "audit")
    assert notebook == tmp_path / "crew-audit.ipynb"
    cells = json.loads(notebook.read_text(encoding="utf-8"))["cells"]
    assert any("study = 'crew'" in "".join(cell["source"]) for cell in cells)
    assert opened(study, "audit") == notebook  # as it was written


def test_what_the_analyst_saved_stays_and_a_foreign_notebook_is_refused(
    small_study, tmp_path, monkeypatch
):
    """JupyterLab signs what its user ran and saved; its own notary is asked here."""
    monkeypatch.setenv("JUPYTER_DATA_DIR", str(tmp_path / "data"))
    study = small_study(tmp_path / "crew")
    notebook = opened(study, "audit")
    foreign = nbformat.v4.new_notebook(
        cells=[nbformat.v4.new_code_cell("import os; os.system('touch ran')")]
    )
    notebook.write_text(nbformat.writes(foreign), encoding="utf-8")
    with pytest.raises(OutputError, match=r"a notebook can run anything\. Look at it"):
        opened(study, "audit")
    NotebookNotary().sign(nbformat.reads(notebook.read_text(encoding="utf-8"), as_version=4))
    assert opened(study, "audit") == notebook
    assert "touch ran" in notebook.read_text(encoding="utf-8")


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
@pytest.mark.parametrize("exists", [True, False])
def test_no_link_is_written_or_opened_through(small_study, tmp_path, exists):
    study = small_study(tmp_path / "crew")
    elsewhere = tmp_path / "elsewhere" / "thing.ipynb"
    elsewhere.parent.mkdir()
    if exists:
        elsewhere.write_text("{}", encoding="utf-8")
    (tmp_path / "crew-squad.ipynb").symlink_to(elsewhere)
    with pytest.raises(OutputError, match="is a link or no file"):
        opened(study, "squad")
    assert elsewhere.exists() == exists


PAYLOAD = "from pathlib import Path\nPath({mark!r}).touch()\n"


def test_a_kernel_of_the_workbench_runs_nothing_from_beside_the_study(tmp_path, monkeypatch):
    """Files named like this package and its libraries lie where the kernel works, and start-up files."""
    mark = tmp_path / "ran"
    home = tmp_path / "home"
    start_up = home / ".ipython" / "profile_default" / "startup"
    start_up.mkdir(parents=True)
    beside = tmp_path / "beside"
    beside.mkdir()
    for path in (
        *(beside / f"{name}.py" for name in ("agreement", "numpy", "pandas", "this", "json")),
        start_up / "00-payload.py",
    ):
        path.write_text(PAYLOAD.format(mark=str(mark)), encoding="utf-8")
    monkeypatch.setenv("HOME", str(home))
    monkeypatch.setenv("PYTHONSTARTUP", str(start_up / "00-payload.py"))
    surroundings = kernel_surroundings(tmp_path / "ipython")
    manager = KernelManager(kernel_name="python3")
    manager.start_kernel(cwd=str(beside), env=surroundings)
    client = manager.client()
    try:
        client.start_channels()
        client.wait_for_ready(timeout=60)
        said = client.execute_interactive(
            "import agreement, numpy, json; assert agreement.__version__", timeout=60
        )
    finally:
        client.stop_channels()
        manager.shutdown_kernel(now=True)
    assert said["content"]["status"] == "ok"
    assert not mark.exists()


@pytest.mark.parametrize("command", ["check", *slowly(["protocols"])])
def test_python_m_runs_nothing_from_the_current_folder(small_study, tmp_path, command):
    mark = tmp_path / "ran"
    study = small_study(tmp_path / "crew")
    beside = tmp_path / "beside"
    beside.mkdir()
    for name in ("typer", "json", "numpy", "signal", "typing", "scipy"):
        (beside / f"{name}.py").write_text(PAYLOAD.format(mark=str(mark)), encoding="utf-8")
    words = [command, str(study)] if command == "check" else [command]
    done = subprocess.run(
        [sys.executable, "-m", "agreement", *words],
        cwd=beside, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert not mark.exists()


def fetched(address):
    """Return what an address serves; the server says where it is a moment before it listens."""
    for _ in range(40):
        try:
            with urlopen(address, timeout=30) as answer:
                return answer.read()
        except URLError:
            time.sleep(0.25)
    return pytest.fail(f"nothing at {address}")


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="ends a group of processes")
def test_the_workbench_serves_the_notebook(small_study, tmp_path):
    """Start it as an analyst would, without a browser, and fetch what it serves."""
    study = small_study(tmp_path / "crew")
    settings = tmp_path / "settings"
    settings.mkdir()
    server = {"open_browser": False, "port": 0, "ip": "127.0.0.1", "allow_root": True}
    config = {"ServerApp": server, "IdentityProvider": {"token": "letmein"}}
    (settings / "jupyter_server_config.json").write_text(json.dumps(config), encoding="utf-8")
    process = subprocess.Popen(
        [sys.executable, "-m", "agreement", "open", str(study), "--report", "squad"],
        env=os.environ | {"JUPYTER_CONFIG_DIR": str(settings), "HOME": str(tmp_path)},
        cwd=tmp_path,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    # reading must come to an end, whatever happens
    watch = threading.Timer(60, os.killpg, (process.pid, signal.SIGKILL))
    watch.start()
    said = ""
    try:
        for line in process.stderr:
            said += line
            if found := re.search(r"http://127\.0\.0\.1:(\d+)/lab", line):
                break
        else:
            pytest.fail(said)
        address = f"http://127.0.0.1:{found[1]}/api/contents/crew-squad.ipynb?token=letmein"
        served = json.loads(fetched(address))
    finally:
        watch.cancel()
        os.killpg(process.pid, signal.SIGKILL)  # with the server that it started
        process.communicate(timeout=30)
    cells = served["content"]["cells"]
    assert any("study = 'crew'" in cell["source"] for cell in cells)
    assert any("report.verdict(cohort" in cell["source"] for cell in cells)


LAB = """
import pathlib, signal, sys, time
def ended(number, frame):
    time.sleep(0.2)  # as JupyterLab, which asks, and ends its kernels
    pathlib.Path(sys.argv[1], str(number)).touch()
    sys.exit()
for number in (signal.SIGINT, signal.SIGTERM):
    signal.signal(number, ended)
pathlib.Path(sys.argv[1], "runs").touch()
time.sleep(60)
"""
OPEN = """
import subprocess, sys
from agreement import cli
plain, lab = subprocess.Popen, [sys.executable, *sys.argv[1:3]]
subprocess.Popen = lambda command, **more: plain(lab, **more)
sys.argv[1:] = ["open", sys.argv[3], "--no-browser"]
sys.exit(cli.main())
"""


@pytest.mark.slow
@pytest.mark.parametrize(
    ("number", "code", "said"),
    [
        (signal.SIGINT, 0, ""),  # what a terminal sends to both
        (signal.SIGTERM, 143, "JupyterLab was ended; what it saved stays.\n"),
    ],
)
def test_jupyterlab_ends_in_its_own_way(small_study, tmp_path, number, code, said):
    study = small_study(tmp_path / "crew")
    for name, text in (("lab.py", LAB), ("open.py", OPEN)):
        (tmp_path / name).write_text(text, encoding="utf-8")
    command = [sys.executable, "open.py", "lab.py", str(tmp_path), str(study)]
    done = subprocess.Popen(
        command, cwd=tmp_path, stderr=subprocess.PIPE, text=True, start_new_session=True
    )
    until = time.monotonic() + 30
    while not (tmp_path / "runs").exists() and time.monotonic() < until:
        time.sleep(0.05)
    (os.killpg if number == signal.SIGINT else os.kill)(done.pid, number)
    told = done.communicate(timeout=30)[1]
    assert (tmp_path / str(int(number))).exists()
    assert (done.returncode, told) == (code, said)
