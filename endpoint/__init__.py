"""Equivalence volume and water hardness from a recording of an EDTA titration.

`analyse`, `arrays`, `table` and `budget_table` are for notebooks and scripts; they are loaded when
they are first used, so that the command starts quickly.
"""

TYPE_CHECKING = False  # known to type checkers by its name; no import, to stay light
if TYPE_CHECKING:
    from endpoint.notebook import analyse, arrays, budget_table, table

__all__ = ["analyse", "arrays", "budget_table", "table"]


def __getattr__(name: str) -> object:
    """Load what notebooks use when it is asked for."""
    if name not in __all__:
        raise AttributeError(f"module 'endpoint' has no attribute {name!r}")
    import importlib

    return getattr(importlib.import_module("endpoint.notebook"), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
