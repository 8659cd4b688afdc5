"""Equivalence volume and water hardness from a recording of an EDTA titration.

What notebooks and scripts use is loaded when it is first asked for, so that the command starts
quickly: `analyse` and `load` for recordings, `arrays`, `table` and `budget_table` for their
numbers, `replicates`, `compare`, `hardness` and `plan` as the commands of these names.
"""

TYPE_CHECKING = False  # known to type checkers by its name; no import, to stay light
if TYPE_CHECKING:
    from endpoint.notebook.calls import analyse, compare, hardness, load, plan, replicates
    from endpoint.notebook.tables import arrays, budget_table, table

    __version__: str

__all__ = [
    "__version__",
    "analyse",
    "arrays",
    "budget_table",
    "compare",
    "hardness",
    "load",
    "plan",
    "replicates",
    "table",
]


def __getattr__(name: str) -> object:
    """Load what notebooks use when it is asked for."""
    if name not in __all__:
        raise AttributeError(f"module 'endpoint' has no attribute {name!r}")
    import importlib

    if name == "__version__":
        from importlib.metadata import version

        return version("endpoint-titration")
    home = "tables" if name in ("arrays", "budget_table", "table") else "calls"
    return getattr(importlib.import_module(f"endpoint.notebook.{home}"), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])


def _keep_functions() -> None:
    """Keep a subpackage from taking the place of the function of its name.

    When `endpoint.hardness.units` is imported, Python sets `endpoint.hardness` to the package;
    then the function would be gone. Imports find packages by their full name and do without.
    """
    import sys
    from types import ModuleType

    class Package(ModuleType):
        def __setattr__(self, name: str, value: object) -> None:
            if not (name in __all__ and isinstance(value, ModuleType)):
                super().__setattr__(name, value)

    sys.modules[__name__].__class__ = Package


_keep_functions()
