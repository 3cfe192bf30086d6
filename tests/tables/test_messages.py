"""Every message that readers say stands in messages.toml, with all that its sentences need."""

import ast
import string
from functools import cache
from pathlib import Path

import agreement
from agreement.tables.findings import message
from agreement.terms import DOUBTS, REASONS, declared

MESSAGES = declared("messages.toml")
SAYING = {"tell", "tell_each", "mark", "doubt", "doubt_said", "BreathDoubt", "problem", "odd"}
SAYING |= {"row_notes", "left_out", "leave_out_parts"}
# given by the place where it is said, or named in a variable before
OF_THE_PLACE = {"section", "id"}
STORED = {"perhaps_clock_times", "clock_times", "unlikely_masses", "unlikely_people"}
STORED |= {"another_scale", "low_pressure", "hr_max_far_above"}  # in a table of their columns
STORED |= {"breaths_that_stay", "breaths_left_out", "input_missing", "sex_missing", "too_weak"}
STORED |= {"unknown_test", "row_left_out", "ragged_row"}
STORED |= {"mass_mismatch", "hr_max_mismatch", "age_mismatch", "outside_equation"}
STORED |= {name for name in MESSAGES if name.startswith("reading")}


def keys_of(node: ast.expr | None) -> set[str]:
    """Return the keys of a dictionary in the code."""
    keys = node.keys if isinstance(node, ast.Dict) else []
    return {key.value for key in keys if isinstance(key, ast.Constant)}


def together(function: ast.FunctionDef) -> dict[str, set[str]]:
    """Return the keys of every dictionary of a function, by its name; what is added to it too."""
    found: dict[str, set[str]] = {}
    for node in ast.walk(function):
        targets = node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", None)]
        if not isinstance(node, ast.Assign | ast.AnnAssign | ast.AugAssign):
            continue
        for target in targets:
            pairs = [(target, node.value)]
            if isinstance(target, ast.Tuple) and isinstance(node.value, ast.Tuple):
                pairs = list(zip(target.elts, node.value.elts, strict=True))
            for one, value in pairs:
                if isinstance(one, ast.Name) and keys_of(value):
                    found[one.id] = found.get(one.id, set()) | keys_of(value)
    return found


@cache
def said() -> list[tuple[str, set[str]]]:
    """Return each message that the code says, with the words that it gives."""
    found = []
    for file in Path(agreement.__file__).parent.rglob("*.py"):
        text = file.read_text(encoding="utf-8")
        if not any(f'"{name}"' in text for name in MESSAGES):
            continue
        tree = ast.parse(text)
        for function in (one for one in ast.walk(tree) if isinstance(one, ast.FunctionDef)):
            known = together(function)
            for node in ast.walk(function):
                parts: list[ast.expr] = []
                if isinstance(node, ast.Call):
                    name = getattr(node.func, "attr", getattr(node.func, "id", ""))
                    if name in SAYING:
                        parts = [
                            *node.args,
                            *(word.value for word in node.keywords if not word.arg),
                        ]
                elif isinstance(node, ast.Tuple) and len(node.elts) == 4:  # a cause of `lines_of`
                    parts = node.elts
                names = {
                    one.value
                    for part in parts[:3]
                    for one in ast.walk(part)
                    if isinstance(one, ast.Constant) and one.value in MESSAGES
                }
                words = {str(word.arg) for word in getattr(node, "keywords", []) if word.arg}
                for part in parts:
                    words |= keys_of(part) | known.get(getattr(part, "id", ""), set())
                    for inner in part.values if isinstance(part, ast.Dict) else []:
                        words |= known.get(getattr(inner, "id", ""), set())
                found += [(name, words) for name in names]
    return found


def needed(name: str) -> set[str]:
    """Return the words that the sentences of a message leave open."""
    texts = MESSAGES[name]["what"] + MESSAGES[name]["remedy"]
    fields = (field for _, field, _, _ in string.Formatter().parse(texts) if field)
    return {field.split(".")[0].split("[")[0] for field in fields}


def test_every_message_is_said_with_all_its_words():
    calls = {}
    for name, words in said():
        calls.setdefault(name, []).append(words)
    assert {*MESSAGES} - {*calls} <= {*STORED}
    lacking = {
        name: needed(name) - OF_THE_PLACE - words
        for name in {*calls} - {*STORED}
        for words in calls[name]
        if not needed(name) - OF_THE_PLACE <= words
    }
    assert lacking == {}


def test_every_message_has_a_severity_a_code_and_a_remedy():
    for name in MESSAGES:
        severity, reason, what, remedy = message(name)
        assert set(MESSAGES[name]) == {severity, "what", "remedy"}, name
        assert what.endswith((".", "}", "?")), name
        assert severity != "set_aside" or reason in REASONS, name
        assert remedy or name == "times_of_day", name
        assert not (severity == "stop" and name in DOUBTS) or reason == name, name
