"""
axe-core over every kind of page beside the reports of `test_pages_in_a_browser`: cards, a study of the
laboratory alone, comparison, pool, shelf, a registry in parts and the documentation.
"""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from accessible import violations_of

from agreement.report.run.write import write_report
from agreement.report.studies.compared import compare_reports
from agreement.report.studies.output import write_compared, write_pool
from agreement.report.studies.pool_file import read_pool
from agreement.report.studies.reports import write_shelf

pytestmark = [pytest.mark.browser, pytest.mark.slow]
ROOT = Path(__file__).parents[2]
POOL = ROOT / "notebooks" / "guide" / "shuttle_pool.toml"
SEEN = [(390, "light"), (1280, "dark")]  # a phone, a desk


def found(auditor, pages, ways=SEEN):
    """Return what is found on pages, by page, width and scheme."""
    seen = {(p.name, *how): violations_of(*auditor, p, *how) for p in pages for how in ways}
    assert seen
    return {how: faults for how, faults in seen.items() if faults}


@pytest.fixture(scope="module")
def several(small_study, tmp_path_factory):
    """Reports of one small study, and what is made of them."""
    root = tmp_path_factory.mktemp("several")
    small_study(root / "study")
    bench = root / "bench"
    bench.mkdir()
    shutil.copyfile(root / "study" / "lab_tests.csv", bench / "lab_tests.csv")
    (bench / "study.toml").write_text('[study]\ntime_zone = "UTC"\n', encoding="utf-8")
    for kind in ("squad", "audit"):
        write_report(root / "study", root / kind, kind=kind)
    write_report(bench, root / "laboratory")
    write_compared(compare_reports(root / "squad", root / "audit"), root / "compared")
    same = shutil.copytree(root / "squad", root / "same")
    write_compared(compare_reports(root / "squad", same), root / "equal")
    write_pool(read_pool(POOL), root / "pooled")
    write_shelf(root)
    return root


@pytest.mark.parametrize(
    "page",
    [
        "squad/athlete_cards.html",
        "laboratory/report.html",
        "compared/report.html",
        "equal/report.html",
        "pooled/report.html",
        "shelf.html",
    ],
)
def test_what_several_reports_and_a_laboratory_say(auditor, several, page):
    assert found(auditor, [several / page]) == {}


@pytest.mark.parametrize("kind", ["squad", "audit", "brief"])
def test_the_page_of_a_registry(auditor, small_study, tmp_path, kind):
    pytest.importorskip("pyarrow", reason="studies in parts need the extra `scale`")
    from agreement.report.run.registry import write_registry_report
    from agreement.scale.engine import LocalEngine

    study = small_study(tmp_path / "study", athletes=40)
    (study / "field_estimates").mkdir()
    (study / "field_estimates.csv").rename(study / "field_estimates" / "part-1.csv")
    written = write_registry_report(study, tmp_path / "out", LocalEngine(1), kind=kind)
    assert found(auditor, [written.folder / "report.html"]) == {}


def test_the_documentation(auditor, tmp_path):
    for library in ("sphinx", "myst_parser", "furo"):
        pytest.importorskip(library)
    subprocess.run([sys.executable, str(ROOT / ".docs" / "build"), str(tmp_path)], check=True)
    assert found(auditor, sorted(tmp_path.glob("*.html")), SEEN[:1]) == {}
