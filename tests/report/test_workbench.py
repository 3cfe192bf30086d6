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

import pytest

from agreement.report.run.workbench import copied_notebook


def test_the_copy_names_the_study_and_stays_as_the_analyst_left_it(small_study, tmp_path):
    study = small_study(tmp_path / "crew")
    notebook = copied_notebook(study, "audit")
    assert notebook == tmp_path / "crew-audit.ipynb"
    cells = json.loads(notebook.read_text(encoding="utf-8"))["cells"]
    assert any("study = 'crew'" in "".join(cell["source"]) for cell in cells)
    notebook.write_text("mine", encoding="utf-8")
    assert copied_notebook(study, "audit").read_text(encoding="utf-8") == "mine"


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
        [sys.executable, "-m", "agreement", "open", str(study)],
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
    assert any("report.verdict()" in cell["source"] for cell in cells)
