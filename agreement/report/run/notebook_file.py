"""A notebook as the text of its file, without the notebook library: half a second of imports."""

import json
import re
from typing import Any, Final

_SPLIT: Final = ("source", "text", "text/html", "text/plain")  # kept as lists of lines in a file


def notebook_text(notebook: dict[str, Any]) -> str:
    r"""
    Return a notebook as the text of its file, byte for byte as the notebook library writes it.

    >>> print(notebook_text({"cells": [{"source": "a\nb"}]}), end="")
    {
     "cells": [
      {
       "source": [
        "a\n",
        "b"
       ]
      }
     ]
    }
    """
    text = json.dumps(
        _split_lines(notebook), indent=1, sort_keys=True, ensure_ascii=False, separators=(",", ": ")
    )
    return text + "\n"


def _split_lines(value: Any, key: str = "") -> Any:
    if isinstance(value, dict):
        return {name: _split_lines(one, name) for name, one in value.items()}
    if isinstance(value, list):
        return [_split_lines(one) for one in value]
    return re.findall(r"[^\n]*\n|[^\n]+", value) if key in _SPLIT else value


def joined_lines(value: Any, key: str = "") -> Any:
    """Return a notebook read as JSON with its texts in one piece each."""
    if isinstance(value, dict):
        return {name: joined_lines(one, name) for name, one in value.items()}
    if isinstance(value, list):
        return "".join(value) if key in _SPLIT else [joined_lines(one) for one in value]
    return value
