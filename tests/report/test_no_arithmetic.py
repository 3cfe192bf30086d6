"""The sections of a report show numbers of the statistics; what they draw and say is theirs."""

import ast
from pathlib import Path

import pandas as pd
import pytest
from opened import open_report

import agreement.report
from agreement.report.sections import comparison, comparison_sections
from agreement.report.sections.actions import losses
from agreement.stats.repeats.repeatability import Repeatability
from agreement.terms import EXCLUSION_COLUMNS

REPORT = Path(agreement.report.__file__).parent
ROOMS = ("sections", "shown", "studies", "run", "workbench")
# in per cent, places of labels, half a printed digit: how a number is shown, not what it is
SHOWN = {
    *("FORTNIGHT * (number + 0.5)", "int(one.results.data.day.max()) // FORTNIGHT"),
    *("100 * row[zone]", "100 * top", "100 * end", "100 * share"),
    *("0.6 * len(groups)", "order['hr_span'] / order['hr_max_bpm']"),
    *("0.5 * 10.0 ** (-self.figure.digits)", "10.0 ** (-self.figure.digits)"),
    *(
        "round(found.line.slope * DAYS, 1) / DAYS",
        "found.line.slope * DAYS",
    ),  # an audit rounds what it draws
    "100 * coverage",
    *("needed * share", "24 * 3600", "2 ** 23", "2 ** 16", "['---'] * len(head)"),
    "['group'] * ('group' in again)",
    # the last digit that two tables of results are written with
    *("10.0 ** (-min((len(text.partition('.')[2]) for text in (one, other))))", "1.01 * step"),
}


def products(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.BinOp):
            continue
        joins_paths = isinstance(node.op, ast.Div) and not any(
            map(is_number, (node.left, node.right))
        )
        if isinstance(node.op, ast.Mult | ast.Div | ast.FloorDiv | ast.Pow) and not (
            joins_paths and path.parent.name != "sections"
        ):
            yield ast.unparse(node)


def means(path):
    """What takes a mean, a median, a spread or a quantile."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        called = node.func if isinstance(node, ast.Call) else None
        if isinstance(called, ast.Attribute) and called.attr in TAKEN:
            yield ast.unparse(called)


TAKEN = {*("mean", "median", "std", "var", "sem", "quantile", "percentile", "cumsum", "corr")}


@pytest.mark.parametrize("room", [*ROOMS, "page", "privacy"])
def test_no_room_of_the_report_takes_a_mean_or_a_median(room):
    found = {(path.name, one) for path in (REPORT / room).glob("*.py") for one in means(path)}
    assert found == set()


def is_number(node):
    """Whether one side of a stroke tells that it divides: a number, or what is computed."""
    constant = isinstance(node, ast.Constant) and isinstance(node.value, int | float)
    return constant or (isinstance(node, ast.BinOp) and not isinstance(node.op, ast.Div))


@pytest.mark.parametrize("room", ROOMS)
def test_no_room_of_the_report_multiplies_divides_or_takes_a_root(room):
    found = {(path.name, one) for path in (REPORT / room).glob("*.py") for one in products(path)}
    assert {one for one in found if one[1] not in SHOWN} == set()


def test_a_noise_floor_and_a_real_change_are_multiples_of_the_typical_error():
    # 1.96 and 2.77, as printed by Bland & Altman 1996 and 1999 (memory)
    found = Repeatability(2.0, 20, 20, 40)
    assert found.noise_floor == pytest.approx(1.96 * 2.0, abs=0.005 * 2)
    assert found.smallest_real_change == pytest.approx(2.77 * 2.0, abs=0.005 * 2)


def test_the_bands_drawn_are_the_noise_floor_and_the_smallest_real_change(
    small_study, tmp_path, monkeypatch
):
    study = small_study(tmp_path / "crew")
    text = (study / "study.toml").read_text()
    (study / "study.toml").write_text(f"{text}[reference]\nsem_ml_kg_min = 2.0\n")
    drawn = {}
    monkeypatch.setattr(
        comparison,
        "picture",
        lambda name, draw, _caption, **_words: drawn.setdefault(name, draw) and None,
    )
    for name in ("plot_differences", "plot_change", "plot_change_arrows"):
        monkeypatch.setattr(
            comparison_sections, name, lambda *_, _name=name, **given: drawn.update({_name: given})
        )
    report = open_report(study)
    for section in (comparison_sections.differences_block, comparison_sections.change_block):
        section(report.comparisons[0])
    for name in ("differences-wrist-run", "change-wrist-run"):
        parts = drawn[name] if isinstance(drawn[name], tuple) else [drawn[name]]
        for one in parts:
            one.on([None, None])
    assert drawn["plot_differences"]["noise_floor"] == pytest.approx(3.92, abs=0.005)
    for name in ("plot_change", "plot_change_arrows"):
        assert drawn[name]["smallest_real"] == pytest.approx(5.54, abs=0.01)


def test_the_commonest_avoidable_losses_are_named_first_with_their_number():
    reasons = ["no_mass"] * 2 + ["out_of_range"] * 5 + ["copy"] * 9 + ["missing_value"] * 2
    reasons += ["session_quality"]
    exclusions = pd.DataFrame({"reason": reasons}, columns=EXCLUSION_COLUMNS)
    shown = " ".join(losses(exclusions))
    places = [
        shown.index(words)
        for words in (
            "no person can reach (5 rows left out)",
            "missing in required columns (2 rows left out)",
            "body mass with every laboratory test (2 rows left out)",
        )
    ]
    assert places == sorted(places)
    assert "Record heart rate without gaps" not in shown  # no more than three
