"""The public door: light to import, complete, and the same numbers as the report's."""

import ast
import doctest
import inspect
import re
import subprocess
import sys
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from matplotlib.collections import PathCollection
from matplotlib.figure import Figure

import agreement
from agreement import report
from agreement.cohort import Cohort, pair, read_cohort
from agreement.errors import TableError
from agreement.figures.of_arrays import plot_differences
from agreement.physiology.field_test_values import estimate_field_test
from agreement.stats.limits.limits import limits_of_agreement

DEMO = Path(__file__).parents[1] / "demo_cohort"
TESTS = pd.DataFrame(
    {
        "lab_test_id": ["T1", "T2", "T3"],
        "athlete_id": ["A", "B", "C"],
        "date": pd.to_datetime(["2026-03-20", "2026-03-22", "2026-03-24"]),
        "mode": "run",
        "vo2max_ml_kg_min": [50.0, 44.0, 61.0],
    }
)
READINGS = pd.DataFrame(
    {
        "athlete_id": ["A", "A", "B", "B", "C", "C"],
        "taken_at": [
            "2026-03-17",
            "2026-03-19",
            "2026-03-18",
            "2026-03-21",
            "2026-03-20",
            "2026-03-21",
        ],
        "method": "wrist",
        "mode": "run",
        "vo2max_ml_kg_min": [51, 53, 47, 49, 60, 62],
    }
)


def test_importing_takes_at_most_five_milliseconds_and_loads_nothing_heavy():
    code = (
        "import sys, time; before = set(sys.modules); best = time.process_time(); import agreement; "
        "print(time.process_time() - best, *(set(sys.modules) - before))"
    )
    runs = [
        subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
        for _ in range(8)
    ]
    took, *loaded = min((run.stdout.split() for run in runs), key=lambda words: float(words[0]))
    assert float(took) < 0.005
    assert loaded == ["agreement"]


def test_every_name_opens_is_listed_and_has_an_example_or_is_an_error():
    assert agreement.__all__ == sorted(agreement.__all__, key=lambda n: (n.islower(), n))
    assert set(dir(agreement)) == {*agreement.__all__, "__version__"}
    assert dir(report) == report.__all__  # a notebook completes the names of its sections
    for name in agreement.__all__:
        opened = getattr(agreement, name)
        assert opened.__name__ == name
        found = doctest.DocTestFinder().find(opened, name)  # of a class, its methods too
        assert opened is TableError or any(one.examples for one in found), name


@pytest.mark.parametrize(
    "name", [name for name in agreement.__all__ if name not in {"Cohort", "TableError"}]
)
def test_what_a_public_function_takes_is_described(name):
    opened = getattr(agreement, name)
    lines = {line.lstrip("*") for line in inspect.getdoc(opened).splitlines()}
    described = {
        one for line in lines if " : " in line for one in re.findall(r"\w+", line.split(" : ")[0])
    }
    assert set(inspect.signature(opened).parameters) <= described


def test_what_type_checkers_see_is_what_is_opened():
    tree = ast.parse(Path(agreement.__file__).read_text(encoding="utf-8"))
    seen = {
        alias.name: node.module
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and str(node.module).startswith("agreement.")
        for alias in node.names
    }
    assert seen == {name: f"agreement.{where}" for name, where in agreement._WHERE.items()}


def test_a_wrong_name_lists_the_right_ones():
    with pytest.raises(AttributeError, match=r"'limits'; it offers Cohort, .*, regression"):
        agreement.limits  # noqa: B018


def test_frames_give_what_the_same_files_give(tmp_path):
    READINGS.to_csv(tmp_path / "field_estimates.csv", index=False)
    TESTS.to_csv(tmp_path / "lab_tests.csv", index=False)
    (tmp_path / "study.toml").write_text("", encoding="utf-8")
    from_files, from_frames = (
        read_cohort(tmp_path),
        Cohort.from_frames(lab_tests=TESTS, field_estimates=READINGS),
    )
    pd.testing.assert_frame_equal(from_files.pairs, from_frames.pairs)
    assert from_frames.pairs["difference"].tolist() == [2.0, 4.0, 0.0]  # by hand
    assert from_frames.flow["rows_read"].tolist() == [3, 6]
    assert pair(TESTS, READINGS).equals(from_frames.pairs)


def test_frames_of_other_libraries_and_mappings_are_tables_too():
    arrow = pytest.importorskip("pyarrow")
    expected = pair(TESTS, READINGS)
    assert pair(arrow.Table.from_pandas(TESTS), READINGS.to_dict("list")).equals(expected)
    shuffled = READINGS.sample(frac=1, random_state=1).astype({"method": "category"})
    assert pair(TESTS.set_index(TESTS["date"]), shuffled).equals(expected)
    with pytest.raises(TypeError, match=r"got int"):
        pair(TESTS, 3)


def test_a_fault_in_a_frame_names_table_row_and_column():
    wrong = READINGS.astype({"vo2max_ml_kg_min": object})
    wrong.loc[4, "vo2max_ml_kg_min"] = "sixty"
    with pytest.raises(
        TableError, match=r"field_estimates, row 4, column 'vo2max_ml_kg_min': 'sixty'"
    ):
        Cohort.from_frames(lab_tests=TESTS, field_estimates=wrong)
    with pytest.raises(TableError, match=r"'mode' is missing"):
        Cohort.from_frames(lab_tests=TESTS.drop(columns="mode"), field_estimates=READINGS)
    alone = Cohort.from_frames(lab_tests=TESTS)  # a study of the laboratory itself
    assert alone.pairs.empty
    assert len(alone.laboratory.frame) == len(TESTS)
    timed = READINGS.assign(taken_at=READINGS["taken_at"] + " 09:00")
    with pytest.raises(TableError, match=r"time_zone"):
        Cohort.from_frames(lab_tests=TESTS, field_estimates=timed)


def test_changed_choices_give_what_a_study_with_them_gives(tmp_path):
    READINGS.to_csv(tmp_path / "field_estimates.csv", index=False)
    TESTS.to_csv(tmp_path / "lab_tests.csv", index=False)
    study = tmp_path / "study.toml"
    study.write_text("", encoding="utf-8")
    before = read_cohort(tmp_path)
    for tables, text in (
        ({"pairing": {"days_before": 2}}, "[pairing]\ndays_before = 2\n"),
        ({"reference": {"repeat_within_days": 0}}, "[reference]\nrepeat_within_days = 0\n"),
    ):
        study.write_text(text, encoding="utf-8")
        changed, asked = before.with_options(**tables), read_cohort(tmp_path)
        pd.testing.assert_frame_equal(changed.pairs, asked.pairs)
        assert changed.study.options == asked.study.options
    kept = before.with_options(pairing={"minimum_days": 1}).with_options(pairing={"days_before": 5})
    assert kept.study.options.pairing.minimum_days == 1
    with pytest.raises(TableError, match=r"Did you mean 'pairing.days_before'"):
        before.with_options(pairing={"day_before": 3})


def test_another_border_of_training_profiles_is_counted_anew():
    days = pd.date_range("2026-02-10", periods=30).strftime("%Y-%m-%dT09:00:00Z")
    each = {"mode": "run", "duration_min": 90, "zone1_min": 81, "zone2_min": 6, "zone3_min": 3}
    people = sorted(set(TESTS["athlete_id"]))
    training = pd.DataFrame(
        [each | {"athlete_id": who, "started_at": day} for who in people for day in days]
    )
    training["session_id"] = [f"S{k}" for k in range(len(training))]
    told = {"lab_tests": TESTS, "field_estimates": READINGS, "sessions": training}
    zone = {"study": {"time_zone": "UTC"}}
    before = Cohort.from_frames(**told, options=zone)
    asked = Cohort.from_frames(**told, options=zone | {"profile": {"low_zone1_share": 0.95}})
    changed = before.with_options(profile={"low_zone1_share": 0.95})
    assert set(before.pairs["training_profile"]) != set(asked.pairs["training_profile"])
    pd.testing.assert_frame_equal(changed.pairs, asked.pairs)


def test_pairs_of_a_method_are_those_behind_the_report(demo):
    for found in demo.results.methods:
        pairs = demo.pairs_of(found.method, found.mode)
        pd.testing.assert_frame_equal(pairs, found.data.pairs)
        limits = demo.limits(found.method, found.mode)
        assert limits == found.limits_of_agreement["all"].limits
    taking = demo.pairs["hr_limiting_drug"] == "yes"
    assert taking.any()
    assert not (demo.pairs_of("wrist_a", "run")["hr_limiting_drug"] == "yes").any()


def test_a_wrong_method_or_mode_lists_the_right_ones(demo):
    for ask in (demo.method, demo.pairs_of, demo.limits):
        with pytest.raises(ValueError, match=r"one of 'run_12min_1968', .*'wrist_b'; got 'wrist'"):
            ask("wrist", "run")
        with pytest.raises(
            ValueError, match=r"`mode` of 'wrist_a' must be one of 'run'; got 'row'"
        ):
            ask("wrist_a", "row")


def test_a_cohort_is_shown_in_a_line_and_a_small_table(demo):
    assert len(repr(demo)) < 300
    assert "58 athletes" in repr(demo)
    assert "<caption>" in demo._repr_html_()
    assert len(demo._repr_html_()) < 3000
    assert demo.summary().count("\n") == len(demo.methods) - 1
    assert demo.to_frame() is demo.results.frame


def test_series_are_put_in_one_order_by_their_index_or_refused():
    names = list("abcdefghij")
    lab = pd.Series(np.arange(40.0, 50.0), index=names)
    field = lab + np.tile([0.0, 2.0], 5)
    with pytest.warns(UserWarning, match=r"10 athletes"):
        limits = limits_of_agreement(field[::-1], lab)
    assert limits.bias == pytest.approx(1.0)
    assert limits.sd == pytest.approx(np.std(np.tile([0.0, 2.0], 5), ddof=1))
    for other in (
        lab.rename(str.upper),
        lab.iloc[:9],
        pd.Series(lab.to_numpy(), index=[*names[:9], "a"]),
    ):
        with pytest.raises(ValueError, match=r"different indexes|equal length"):
            limits_of_agreement(field, other)


@pytest.mark.parametrize("share", [0.0, 1.0, 95.0, -0.1, float("nan")])
def test_shares_outside_0_to_1_are_refused_everywhere(share, demo):
    limits = demo.limits("wrist_a")
    for ask in (
        limits.bias_interval,
        limits.sd_interval,
        limits.lower_interval,
        limits.upper_interval,
        lambda level: demo.limits("wrist_a", coverage=level).upper,
        lambda level: demo.limits("wrist_a", coverage=level).to_frame(),
        demo.method("wrist_a").regression.intervals,
        demo.method("wrist_a").trend.slope_interval,
    ):
        with pytest.raises(ValueError, match=r"must be in \(0, 1\); got"):
            ask(share)


def test_two_arrays_and_any_axes_give_a_plot_in_the_callers_style():
    lab = np.arange(40.0, 70.0)
    field = lab + np.tile([0.0, 2.0], 15)
    with mpl.rc_context({"axes.facecolor": "#eeeeee"}):
        axes = Figure(figsize=(8, 3)).subplots(1, 2)
        drawn = plot_differences(field, lab, limits=limits_of_agreement(field, lab), ax=axes[1])
    assert drawn is axes[1]
    assert not axes[0].lines
    assert mpl.colors.to_hex(drawn.get_facecolor()) == "#eeeeee"
    points = next(c for c in drawn.collections if isinstance(c, PathCollection))
    places = np.column_stack([(field + lab) / 2, field - lab])
    assert sorted(points.get_offsets().tolist()) == sorted(places.tolist())
    assert drawn.get_legend() is None
    with pytest.raises(ValueError, match=r"one length"):
        plot_differences(field, lab[:-1], ax=axes[0])


def test_a_cohort_draws_its_own_method_where_it_is_told(demo):
    ax = Figure().subplots()
    assert demo.plot("wrist_a", ax=ax) is ax
    n = sum(len(c.get_offsets()) for c in ax.collections if isinstance(c, PathCollection))
    assert n == len(demo.pairs_of("wrist_a"))


def test_a_field_test_is_computed_and_what_cannot_be_is_said():
    # 12 minutes, 1968: (distance - 504.9) / 44.73, the published form
    found = estimate_field_test("run_12min_1968", distance_m=[2414.0, 2.4], sex="male")
    assert found.vo2max[0] == pytest.approx((2414 - 504.9) / 44.73)
    assert np.isnan(found.vo2max[1])
    assert found.note[0] == ""
    assert found.note[1]
    assert "1 value of 2" in found.summary()
    assert len(found.to_frame()) == 2
    with pytest.raises(ValueError, match=r"nearest are"):
        estimate_field_test("run_12min", distance_m=2400)
    with pytest.raises(ValueError, match=r"run_12min_1968 needs distance_m \[m\]"):
        estimate_field_test("run_12min_1968")
    with pytest.raises(ValueError, match=r"'distance' is no input"):
        estimate_field_test("run_12min_1968", distance=2400)
    with pytest.raises(ValueError, match=r"`sex` must be one of"):
        estimate_field_test("run_12min_1968", distance_m=2400, sex="m")


def test_every_result_has_a_short_name_a_table_and_a_picture_on_any_axes(demo):
    results = demo.method("wrist_b")
    assert len(results) > 25
    for name, result in results.items():
        shown = repr(result)
        assert shown.startswith(f"<{type(result).__name__}: "), name
        assert len(shown) < 700, name  # a sentence, not the arrays of a dataclass
        frame, html = result.to_frame(), result._repr_html_()
        assert html.count("<tr>") == len(frame) + 1, name
        assert "<caption>" in html
        ax = Figure(figsize=(3, 2)).subplots()
        assert result.plot(ax=ax) is ax, name
        drawn = [*ax.lines, *ax.collections, *ax.patches, *ax.texts]
        assert drawn, name


def test_the_picture_of_a_result_holds_its_numbers(demo):
    limits = demo.limits("wrist_b")
    ax = limits.plot(ax=Figure().subplots())
    frame = limits.to_frame()
    assert [t.get_text() for t in ax.get_yticklabels()] == [
        name.replace("_", " ") for name in frame["statistic"]
    ]
    drawn = next(line for line in ax.lines if len(line.get_xdata()) == len(frame))
    np.testing.assert_array_equal(drawn.get_xdata(), frame["value"])
    (whiskers,) = ax.collections
    ends = [segment[:, 0] for segment in whiskers.get_segments()]
    np.testing.assert_array_equal(ends, frame[["low", "high"]])


def test_a_notebook_shows_what_stops_as_a_table_and_no_traceback(tmp_path):
    """IPython asks an exception for `_render_traceback_` before it makes a traceback of its own."""
    (tmp_path / "study.toml").write_text("[pairing]\ndays = 3\n")
    with pytest.raises(TableError) as found:
        read_cohort(tmp_path)
    lines = found.value._render_traceback_()
    assert lines[0].startswith("This study cannot be used; what stops it (")
    assert lines[2].split() == ["file", "row", "column", "what,", "and", "what", "to", "do"]
    assert any("Unknown key 'pairing.days'" in line for line in lines)
    assert not any("Traceback" in line or ".py" in line for line in lines)
