"""
How far can the other VO2max number be trusted: agreement of field estimates with the laboratory.

The public door: what is listed here is imported when it is first used.
"""

TYPE_CHECKING = False  # type checkers take it for true; the module of that name costs milliseconds
if TYPE_CHECKING:
    from agreement.cohort import Cohort, pair, read_cohort
    from agreement.errors import TableError
    from agreement.figures.of_arrays import plot_differences
    from agreement.figures.theme import house_style
    from agreement.physiology.field_test_values import estimate_field_test
    from agreement.stats.basics.bootstrap import bootstrap, cluster_resampling
    from agreement.stats.indices.concordance import concordance
    from agreement.stats.limits.limits import limits_by_athlete, limits_of_agreement
    from agreement.stats.lines.deming import deming
    from agreement.stats.lines.passing_bablok import passing_bablok
    from agreement.stats.lines.regression import regression

__version__ = "0.1.0"

_WHERE = {
    "Cohort": "cohort",
    "TableError": "errors",
    "bootstrap": "stats.basics.bootstrap",
    "cluster_resampling": "stats.basics.bootstrap",
    "concordance": "stats.indices.concordance",
    "deming": "stats.lines.deming",
    "estimate_field_test": "physiology.field_test_values",
    "house_style": "figures.theme",
    "limits_by_athlete": "stats.limits.limits",
    "limits_of_agreement": "stats.limits.limits",
    "pair": "cohort",
    "passing_bablok": "stats.lines.passing_bablok",
    "plot_differences": "figures.of_arrays",
    "read_cohort": "cohort",
    "regression": "stats.lines.regression",
}
__all__ = ["Cohort", "TableError", "bootstrap", "cluster_resampling", "concordance", "deming", "estimate_field_test", "house_style", "limits_by_athlete", "limits_of_agreement", "pair", "passing_bablok", "plot_differences", "read_cohort", "regression"]  # fmt: skip


def _opened(name: str, door: dict[str, object], where: dict[str, str]) -> object:
    """Return a public name of a package, imported when it is first used; `door`: its globals."""
    package = door["__name__"]
    if name not in where:
        offered = ", ".join(sorted(where, key=lambda one: (one.islower(), one)))
        raise AttributeError(f"module {package!r} has no attribute {name!r}; it offers {offered}")
    from importlib import import_module

    door[name] = getattr(import_module(f"{package}.{where[name]}"), name)
    return door[name]


def __getattr__(name: str) -> object:
    return _opened(name, globals(), _WHERE)


def __dir__() -> list[str]:
    return [*__all__, "__version__"]
