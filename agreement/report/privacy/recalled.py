"""The choices of a study, recalled from what a report's provenance says of them."""

import types
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import date
from math import isfinite
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from agreement.report.run.folder import PROVENANCE
from agreement.report.run.own_report import damaged
from agreement.tables.options import StudyOptions


def recalled_options(told: Mapping[str, Any]) -> StudyOptions:
    """
    Return choices as they stand in a provenance file.

    told: what JSON holds: texts, numbers, lists, tables. What is not there has its default.
    Raises AgreementError if something in it is no such choice.

    >>> recalled_options({"margin": {"limit": 3.5, "agreed_on": "2026-01-10"}}).margin.agreed_on
    datetime.date(2026, 1, 10)
    """
    try:
        options = _built(StudyOptions, told)
    except (TypeError, ValueError, KeyError, OverflowError) as error:
        raise damaged(PROVENANCE, "is damaged: 'options' are not the choices of a study") from error
    assert isinstance(options, StudyOptions)
    return options


def _built(kind: Any, value: Any) -> Any:
    """Return a value of JSON as the type that a choice has."""
    origin, inner = get_origin(kind), get_args(kind)
    if is_dataclass(kind):
        hints = get_type_hints(kind)
        own = {one.name: one for one in fields(kind)}
        return kind(**{name: _built(hints[name], value[name]) for name in own if name in value})  # type: ignore[operator] # a class
    if origin in (Union, types.UnionType):
        if value is None and type(None) in inner:
            return None
        return _built(next(one for one in inner if one is not type(None)), value)
    if origin is tuple and isinstance(value, list):
        return tuple(_built(inner[0], one) for one in value)
    if origin is dict and isinstance(value, dict):
        return {str(key): _built(inner[1], one) for key, one in value.items()}
    if origin is Literal and value in inner:
        return value
    if kind is date:
        return date.fromisoformat(value)
    if kind is float and isinstance(value, int | float) and isfinite(value):
        return float(value)
    if kind in (int, bool, str) and type(value) is kind:
        return value
    raise ValueError(f"{value!r} is no {kind}")
