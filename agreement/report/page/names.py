"""What people read for a method; the study's keys stay in tables for machines."""

from collections import Counter
from collections.abc import Iterable
from typing import Final

from agreement.physiology.field_tests import PROTOCOLS
from agreement.tables.options import StudyOptions
from agreement.terms import GROUP_WORDS, SESSIONS_METHOD

SESSIONS: Final = "training sessions' heart rate"
_BETWEEN: Final = " vs "  # of two methods that are compared


def group_name(group: str) -> str:
    """
    Return what people read for a group.

    >>> group_name("half_window"), group_name("aged_40_to_64")
    ('half the window', 'aged 40 to 64')
    """
    return GROUP_WORDS.get(group, group.replace("_", " "))


def part_name(group: str) -> str:
    """Return what people read for a choice of pairs."""
    return "all pairs" if group == "all" else group_name(group)


class Names:
    """
    Human names of the methods of one study.

    Parameters
    ----------
    labels : iterable of (method, label)
        The study's own, from ``[methods."key"] label``; where two are the same, with the key.
    several_modes : bool, default True
        Whether the mode of exercise has to be said with the name.

    Examples
    --------
    >>> names = Names([("wrist_a", "Wrist device A")])
    >>> names("wrist_a", "run"), names("run_12min_1968", "run")
    ('Wrist device A, run', '12-minute run, 1968, run')
    >>> names.method("wrist_a vs wrist_b")
    'Wrist device A vs wrist_b'
    >>> Names([("wrist_a", "Wrist"), ("wrist_b", "Wrist")]).method("wrist_b")
    'Wrist (wrist_b)'
    """

    def __init__(
        self, labels: Iterable[tuple[str, str]] = (), *, several_modes: bool = True
    ) -> None:
        own = {SESSIONS_METHOD: SESSIONS, **dict(labels)}
        often = Counter(own.values())  # lines of tables are told apart by their names
        self._labels = {k: one if often[one] == 1 else f"{one} ({k})" for k, one in own.items()}
        self._several_modes = several_modes

    @classmethod
    def of(cls, options: StudyOptions, modes: Iterable[str] = ("", " ")) -> "Names":
        """Return the names of a study; `modes`: those in its results, one needs no saying."""
        labels = ((key, one.label) for key, one in options.methods.items() if one.label)
        return cls(labels, several_modes=len(set(modes)) > 1)

    def __call__(self, method: str, mode: str) -> str:
        """Return how a method is called in text, plain."""
        return self.with_mode(method, mode) if self._several_modes else self.method(method)

    def with_mode(self, method: str, mode: str) -> str:
        """Return the name with the mode, where modes are what it is about."""
        return f"{self.method(method)}, {mode}"

    def method(self, method: str) -> str:
        """Return the name without the mode."""
        if _BETWEEN in method and method not in self._labels:
            return _BETWEEN.join(map(self.method, method.split(_BETWEEN, 1)))
        known = PROTOCOLS.get(method)
        return self._labels.get(method) or (known.name if known is not None else method)
