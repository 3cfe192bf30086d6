"""Every message that readers say stands in messages.toml, with all that its sentences need."""

import ast
import string
from functools import cache
from pathlib import Path

import pytest

import agreement
from agreement.tables.findings import message
from agreement.terms import DOUBTS, REASONS, declared

MESSAGES = declared("messages.toml", "tables")
SAYING = {"tell", "tell_each", "mark", "doubt"}


@cache
def said() -> list[tuple[str, set[str]]]:
    """Return each message that the code says, with the words that it gives."""
    found = []
    for file in Path(agreement.__file__).parent.rglob("*.py"):
        tree = ast.parse(file.read_text(encoding="utf-8"))
        for function in (one for one in ast.walk(tree) if isinstance(one, ast.FunctionDef)):
            together = {
                name.id: {key.value for key in node.value.keys if isinstance(key, ast.Constant)}
                for node in ast.walk(function)
                if isinstance(node, ast.Assign | ast.AnnAssign) and isinstance(node.value, ast.Dict)
                for name in (node.targets if isinstance(node, ast.Assign) else [node.target])
                if isinstance(name, ast.Name)
            }
            for node in ast.walk(function):
                if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)):
                    continue
                if node.func.attr in SAYING and node.args:
                    words = {str(word.arg) for word in node.keywords if word.arg}
                    for word in node.keywords:
                        if word.arg is None and isinstance(word.value, ast.Name):
                            words |= together.get(word.value.id, set())
                    first = ast.walk(node.args[0])
                    names = [n.value for n in first if isinstance(n, ast.Constant)]
                    found += [(name, words) for name in names if name in MESSAGES]
    return found


def needed(name: str) -> set[str]:
    """Return the words that the sentences of a message leave open."""
    texts = MESSAGES[name]["what"] + MESSAGES[name]["remedy"]
    fields = (field for _, field, _, _ in string.Formatter().parse(texts) if field)
    return {field.split(".")[0].split("[")[0] for field in fields}


@pytest.mark.parametrize("name", MESSAGES)
def test_every_message_is_said_with_all_its_words(name):
    calls = [words for one, words in said() if one == name]
    assert calls or name in STORED
    for words in calls:
        assert needed(name) - {"section"} <= words


# named in a variable before it is said
STORED = {"perhaps_clock_times", "clock_times", "unlikely_masses", "unlikely_people"}


@pytest.mark.parametrize("name", MESSAGES)
def test_every_message_has_a_severity_a_code_and_a_remedy(name):
    severity, reason, what, remedy = message(name)
    assert set(MESSAGES[name]) == {severity, "what", "remedy"}
    assert what.endswith((".", "}"))
    assert severity != "set_aside" or reason in REASONS
    assert remedy or name == "times_of_day"
    assert not (severity == "stop" and name in DOUBTS) or reason == name
