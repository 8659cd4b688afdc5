"""The house rules of imports, read from the syntax tree."""

from __future__ import annotations

import ast
import graphlib
from functools import cache
from pathlib import Path

import pytest

from tests.places import ROOT

WAY = """
    calibration calibration.ware calibration.standardisation calibration.instruments
    problems messages rounding files
    chemistry hardness record
    recording scene colour delivery burette curve equivalence verdict
    analysis
    result drawing report
    replicates comparison planner batch verification
    bench.guidance bench.journal bench.live bench.web
    replay
    commands notebook cli
"""
"""The way of a recording. A module imports from its own package and from what stands before it."""
PLACE = {
    package if package.startswith("calibration") else f"endpoint.{package}": place
    for place, package in enumerate(WAY.split())
}
MOST_MODULES = 12


def _modules() -> dict[str, Path]:
    paths = [p for top in ("endpoint", "calibration") for p in (ROOT / top).rglob("*.py")]
    return {
        ".".join(path.relative_to(ROOT).with_suffix("").parts): path
        for path in sorted(paths)
        if path.name != "__init__.py"
    }


MODULES = _modules()


@cache
def _imports(path: Path) -> set[str]:
    """Own modules and packages that a module imports, inside functions too."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import on line {node.lineno}"
            base = node.module or ""
            deeper = {f"{base}.{alias.name}" for alias in node.names}
            found |= {name if name in MODULES else base for name in deeper}
    return {name for name in found if name.split(".")[0] in ("endpoint", "calibration")}


def _package_of(module: str) -> str:
    found = [package for package in PLACE if f"{module}.".startswith(f"{package}.")]
    assert found, f"{module} is in no package of WAY"
    return max(found, key=len)


@pytest.mark.parametrize("module", MODULES)
def test_imports_only_what_stands_before_it(module: str) -> None:
    mine = _package_of(module)
    for other in _imports(MODULES[module]):
        assert other in MODULES, f"{module} imports the package {other}"
        theirs = _package_of(other)
        assert theirs == mine or PLACE[theirs] < PLACE[mine], f"{module} imports {other}"


def test_no_circle_of_modules() -> None:
    imports = {module: _imports(path) for module, path in MODULES.items()}
    graphlib.TopologicalSorter(imports).prepare()


@pytest.mark.parametrize("package", PLACE)
def test_packages_stay_small(package: str) -> None:
    assert 0 < sum(_package_of(module) == package for module in MODULES) <= MOST_MODULES


def test_package_files_import_nothing_at_the_top() -> None:
    for path in (ROOT / "endpoint").rglob("__init__.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        top_level = [n for n in tree.body if isinstance(n, ast.Import | ast.ImportFrom)]
        assert not top_level, f"{path} imports at the top: import inside a function instead"


def test_no_module_called_utils() -> None:
    names = {module.rpartition(".")[2] for module in MODULES}
    assert not names & {"utils", "helpers", "common", "misc"}
