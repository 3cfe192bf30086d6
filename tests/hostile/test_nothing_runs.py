"""Nothing runs that should not: cells, labels and paths of a study stay data everywhere."""

import ast
import csv
import gzip
import io
import os
import pickle
import re
import subprocess
import sys
from contextlib import suppress
from html.parser import HTMLParser
from importlib.util import cache_from_source
from pathlib import Path
from xml.etree import ElementTree as ET

import pyarrow as pa
import pytest
from active_study import FORMULA, MARKUP, write_active
from hypothesis import given
from hypothesis import strategies as st
from opened import open_report
from pyarrow import parquet
from small_study import BARE, small_study, write_folder
from turns import slowly
from typer.testing import CliRunner

import agreement
from agreement import cli
from agreement.cohort import inspect_cohort
from agreement.errors import AgreementError
from agreement.report.page.pdf import browser
from agreement.report.privacy.sharing import share_report
from agreement.report.run import classes
from agreement.report.run.any_size import check_study
from agreement.report.run.own_report import changed_files
from agreement.report.run.render import parameters_source
from agreement.report.run.write import write_report
from agreement.report.run.write_pairs import write_pairs

PACKAGE = Path(agreement.__file__).parent
SECTIONS = {
    "squad": "heading verdict next_steps flow differences profiles regression budget averaging "
    "change inputs athletes left_out rules provenance",
    "validation": "heading verdict flow differences structure two_estimators sensitivity "
    "reporting_lists quotable rules",
    "audit": "heading verdict margin funnel effort people out_of_range drift protocol_list "
    "left_out sign_off provenance",
}


ACTIVE = {"script", "iframe", "object", "embed", "form", "link", "base", "meta"}
ACTIVE |= {"foreignobject", "animate", "animatetransform", "set", "image"}  # inside a drawing


class ActiveParts(HTMLParser):
    """Collects what a page could run or load."""

    def __init__(self):
        super().__init__()
        self.found = []

    def handle_starttag(self, tag, attributes):
        if tag in ACTIVE or (
            tag == "svg" and ("role", "img") not in attributes
        ):  # no figure of ours
            self.found.append(tag)
        for name, value in attributes:
            active = name.startswith("on") or re.match(r"\s*(javascript|https?|file):", value or "")
            inside = name != "src" or str(value).startswith("data:image/")
            if active or not inside:
                self.found.append(f"{tag} {name}={value}")


def active_parts(html):
    parser = ActiveParts()
    parser.feed(html)
    return parser.found


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    return write_active(tmp_path_factory.mktemp("active"))


@pytest.mark.parametrize("kind", ["audit", *slowly(k for k in SECTIONS if k != "audit")])
def test_no_label_becomes_markup_in_any_section(study, tmp_path, kind):
    report = open_report(study, kind=kind, save=tmp_path if kind == "squad" else None)
    html = {name: getattr(report, name)().html for name in SECTIONS[kind].split()}
    assert {name: active_parts(text) for name, text in html.items() if active_parts(text)} == {}
    assert "&lt;script&gt;" in html["heading"]
    if kind == "squad":
        report.save()
        for path in tmp_path.glob("figures/*.svg"):
            for element in ET.parse(path).iter():
                assert "script" not in element.tag
                assert not [name for name in element.attrib if name.startswith("on")]
        assert not active_cells(tmp_path)


def active_cells(folder):
    """Return the cells that a spreadsheet would take for a formula."""
    number = re.compile(r"-?\d+(\.\d+)?(e[-+]\d+)?")
    cells = []
    for path in sorted(folder.glob("*.csv")):
        with path.open(newline="", encoding="utf-8") as file:
            cells += [c for row in csv.reader(file) for c in row if c.startswith(tuple("=+-@\t\r"))]
    return [cell for cell in cells if not number.fullmatch(cell)]


def test_formulas_are_neutral_in_what_pair_and_estimate_write(study, tmp_path):
    write_pairs(study, tmp_path / "pairs")
    assert not active_cells(tmp_path / "pairs")
    text = (tmp_path / "pairs" / "pairs.csv").read_text(encoding="utf-8")
    assert "'=HYPERLINK" in text
    estimate = ["estimate", str(study), "--out", str(tmp_path / "values.csv")]
    assert CliRunner().invoke(cli.app, estimate).exit_code == 0
    assert not active_cells(tmp_path)
    assert FORMULA[:8] in (tmp_path / "values.csv").read_text(encoding="utf-8")


@given(text=st.text(), more=st.text())
def test_parameters_reach_the_kernel_as_plain_literals(text, more):
    source = parameters_source({"study": text, "save": more, "seed": 3})
    statements = ast.parse(source).body
    assert [type(s) for s in statements] == [ast.Assign] * 3
    assert [ast.literal_eval(s.value) for s in statements] == [text, more, 3]


@pytest.mark.slow
def test_a_whole_report_runs_no_text_of_the_study(study, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    write_report(study, tmp_path / "out")
    assert not list(tmp_path.rglob("owned*"))
    assert not list(study.parent.rglob("owned*"))
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert set(active_parts(page)) <= {"meta"}
    if (program := browser()) is None:
        pytest.skip("no Chromium on this machine")
    flags = (
        *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
        *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
        *(f"--user-data-dir={tmp_path / 'profile'}", "--virtual-time-budget=3000", "--dump-dom"),
    )
    page = (tmp_path / "out" / "report.html").as_uri()
    seen = subprocess.run(
        [program, *flags, page], capture_output=True, text=True, check=True
    ).stdout
    title = re.search(r"<title>(.*?)</title>", seen, re.DOTALL)[1]
    assert "owned.txt" in title  # the folder's name, as text
    assert title != "owned"
    assert set(active_parts(seen)) <= {"meta"}
    trap = tmp_path / "trap.html"
    trap.write_text(f"<title>still</title>{MARKUP}", encoding="utf-8")
    seen = subprocess.run(
        [program, *flags, trap.as_uri()], capture_output=True, text=True, check=True
    ).stdout
    assert "<title>owned</title>" in seen  # the payload does run where it is let


SECRET = "athlete_id,mode,found\nsecret-of-another-folder,run,x\n"
OUTSIDE = (
    "../outside.csv",
    "sub/../../outside.csv",
    "..\\outside.csv",
    "/etc/passwd",
    "C:\\outside.csv",
    "\\\\server\\share\\x.csv",
    "link.csv",
    "linked/outside.csv",
)


@pytest.mark.parametrize("path", OUTSIDE)
@pytest.mark.parametrize("key", ["id_map", "athletes", "samples"])
def test_no_path_leads_out_of_the_study_folder(tmp_path, path, key):
    (tmp_path / "outside.csv").write_text(SECRET, encoding="utf-8")
    folder = {
        "study.toml": b"",
        "lab_tests.csv": b"x\n",
        "link.csv": "../outside.csv",
        "linked": "..",
    }
    keys = f"[study]\nid_map = '{path}'" if key == "id_map" else f"[files.{key}]\npath = '{path}'"
    root = write_folder(folder | {"study.toml": keys.encode()}, tmp_path / "study")
    cohort, problems = inspect_cohort(root)
    assert cohort is None
    said = " ".join(map(str, problems))
    assert any(p.reason == "path_outside" and p.file == "study.toml" for p in problems), said
    assert "secret" not in said
    assert "root:" not in said


@pytest.mark.parametrize("name", ["field_estimates.csv", "breaths/T3.csv", "study.toml", "lab.csv"])
def test_no_link_leads_out_of_the_study_folder(tmp_path, name):
    (tmp_path / "outside.csv").write_text(SECRET, encoding="utf-8")
    target = "../" * name.count("/") + "../outside.csv"
    root = write_folder(small_study() | {name: target}, tmp_path / "study")
    cohort, problems = inspect_cohort(root)
    assert cohort is None
    assert any(p.reason == "path_outside" for p in problems)
    assert "secret" not in " ".join(map(str, problems))


NETWORK = {"socket", "ssl", "urllib", "http", "ftplib", "smtplib", "requests", "httpx", "aiohttp"}
LOADERS = {"pickle", "shelve", "marshal", "dill", "cloudpickle", "joblib", "yaml"}
CALLS = {"eval", "exec", "compile", "__import__", "system", "popen", "read_pickle", "load_pickle"}
# figures, methods and sections down a pipe to a process of our own
OWN_PICKLES = {"second.py"}
SUMMED_UP = {"pictures.py"}  # of what a figure is drawn of: a checksum is taken, nothing is read
# cells of our own notebooks, equations of our own table, what Python writes for our own dataclasses
OWN_CODE = {"here.py", "field_tests.py", "classes.py"}
# beside the modules that Python keeps, and nowhere else: whoever may write there may change those
KEPT_CODE = {"classes.py"}


def reached(path):
    """Return what a module of ours imports or calls that could reach a network or load code."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    imported, called, bare, found = set(), set(), set(), set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            imported |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module != "urllib.parse":  # takes text apart
            imported.add(str(node.module).split(".")[0])
        elif isinstance(node, ast.Call):
            called.add(getattr(node.func, "id", getattr(node.func, "attr", "")))
            bare |= {node.func.id} if isinstance(node.func, ast.Name) else set()
            found |= {k.arg for k in node.keywords if k.arg in ("shell", "allow_pickle")}
    loads = {"pickle"} if path.name in OWN_PICKLES | SUMMED_UP else set()
    loads |= {"marshal"} if path.name in KEPT_CODE else set()
    found |= imported & NETWORK | imported & LOADERS - loads
    if path.name in SUMMED_UP:
        found |= called & {"load", "loads", "Unpickler"}
    allowed = {"compile", "eval", "exec"} if path.name in OWN_CODE else set()
    return found | bare & CALLS - allowed | called & {"system", "popen", "read_pickle"}


def test_no_module_can_reach_a_network_or_load_code(tmp_path):
    modules = sorted(PACKAGE.rglob("*.py"))
    assert len(modules) > 100
    assert {path: found for path in modules if (found := reached(path))} == {}
    bad = tmp_path / "bad.py"
    bad.write_text("import socket, pickle\nfrom http import client\nrun(x, shell=True)\neval(x)\n")
    assert reached(bad) == {"socket", "pickle", "http", "shell", "eval"}


def test_kept_code_lies_where_python_keeps_that_of_the_same_module(monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    own = Path(cache_from_source(classes.__file__))
    assert classes._place().parent == own.parent
    assert classes._place().suffixes == own.suffixes


class Payload:
    """What runs when it is unpickled."""

    def __init__(self, mark):
        self.mark = str(mark)

    def __reduce__(self):
        return Path.touch, (Path(self.mark),)


def parquet_that_unpickles(payload):
    """Return a Parquet file whose column carries a pickle as the description of its type."""
    kind = {
        b"ARROW:extension:name": b"arrow.py_extension_type",
        b"ARROW:extension:metadata": payload,
    }
    names = BARE["field_estimates.csv"].decode().splitlines()[0].split(",")
    fields = [pa.field(name, pa.string(), metadata=kind) for name in names]
    row = ["007", "2026-02-25T09:00:00Z", "m", "run", "50"]
    columns = [pa.array([cell, cell]) for cell in row]
    data = io.BytesIO()
    parquet.write_table(pa.table(columns, schema=pa.schema(fields)), data)
    return data.getvalue()


PLACES_READ = (
    *("study.toml", "published.toml", "lab.csv", "lab.xlsx", "field_estimates.csv"),
    *("field_estimates.parquet", "breaths/T1.csv", "breaths/T1.csv.gz", "breaths/T1.parquet"),
)


@pytest.mark.parametrize("name", PLACES_READ)
def test_no_pickle_in_a_study_is_loaded(tmp_path, name):
    payload = pickle.dumps(Payload(tmp_path / "owned"))
    packed = gzip.compress(payload) if name.endswith(".gz") else payload
    folder = BARE | {name: packed}
    if name == "lab.xlsx":
        folder["study.toml"] = folder["study.toml"].replace(b"lab.csv", b"lab.xlsx")
    if name == "field_estimates.parquet":
        del folder["field_estimates.csv"]
    inspect_cohort(write_folder(folder, tmp_path / "study"))
    assert not (tmp_path / "owned").exists()


def test_no_pickle_that_describes_a_column_is_loaded(tmp_path):
    data = parquet_that_unpickles(pickle.dumps(Payload(tmp_path / "owned")))
    folder = BARE | {"field_estimates.parquet": data}
    del folder["field_estimates.csv"]
    root = write_folder(folder, tmp_path / "study")
    inspect_cohort(root)
    (root / "field_estimates").mkdir()  # the same as a part, which workers read
    (root / "field_estimates.parquet").rename(root / "field_estimates" / "1.parquet")
    check_study(root, workers=1)
    assert not (tmp_path / "owned").exists()


@pytest.mark.parametrize("name", ["provenance.json", "results.csv", "pairs.csv"])
def test_no_pickle_in_a_report_is_loaded(tmp_path, name):
    out = tmp_path / "out"
    write_pairs(write_folder(BARE, tmp_path / "study"), out)
    (out / "results.csv").write_text("analysis\n")
    (out / name).write_bytes(pickle.dumps(Payload(tmp_path / "owned")))
    for ask in (changed_files, lambda place: share_report(place, tmp_path / "shared")):
        with suppress(AgreementError, ValueError, KeyError, FileNotFoundError):
            ask(out)
    assert not (tmp_path / "owned").exists()


def test_the_pickle_does_run_where_it_is_loaded(tmp_path):
    pickle.loads(pickle.dumps(Payload(tmp_path / "owned")))
    assert (tmp_path / "owned").exists()


WATCH = """
import sys
def hook(event, args):
    if event in ("socket.connect", "socket.getaddrinfo", "socket.sendto"):
        where = str(args[1:] if event != "socket.getaddrinfo" else args[:1])
        if "127.0.0.1" not in where and "localhost" not in where and "/" not in where:
            open({log!r}, "a").write(event + where + "\\n")
sys.addaudithook(hook)
"""


@pytest.mark.parametrize(
    "command",
    [
        ["pair", "STUDY", "--out", "OUT"],
        pytest.param(["report", "STUDY", "--out", "OUT"], marks=pytest.mark.slow),
    ],
    ids=lambda c: c[0],
)
def test_nothing_is_sent_anywhere(study, tmp_path, command):
    log = tmp_path / "asked.txt"
    (tmp_path / "sitecustomize.py").write_text(WATCH.format(log=str(log)), encoding="utf-8")
    places = {"STUDY": str(study), "OUT": str(tmp_path / "out")}
    run = [sys.executable, "-m", "agreement", *(places.get(c, c) for c in command)]
    environment = os.environ | {"PYTHONPATH": str(tmp_path)}
    subprocess.run(run, check=True, capture_output=True, env=environment)
    assert not log.exists(), log.read_text()


def test_a_drawing_library_named_in_the_environment_is_forgotten():
    child = (
        "import atexit, os, sys\nfrom agreement.__main__ import start\n"
        "atexit.register(lambda: print('MPLBACKEND' in os.environ))\n"
        "sys.argv = ['agreement', '--version']\nstart()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", child],
        env=os.environ | {"MPLBACKEND": "no such thing"},
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.split()[-1] == "False"


@pytest.mark.slow
def test_a_drawing_library_named_in_the_environment_is_not_looked_for(tmp_path):
    study = write_folder(dict(BARE), tmp_path / "study")
    command = [sys.executable, "-m", "agreement", "report", "--report", "brief", str(study)]
    done = subprocess.run(
        [*command, "--out", str(tmp_path / "out")],
        env=os.environ | {"MPLBACKEND": "no such thing", "AGREEMENT_CACHE": ""},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
