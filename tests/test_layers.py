"""The house rules of imports, read from the syntax tree."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent

# Row of every module; a module imports only from lower rows. A folder stands for all it holds.
ROWS: dict[str, float] = {
    "calibration.wording": -1,
    "calibration.quantity": 0,
    "endpoint.problems": 0,
    "endpoint.equilibrium": 0,
    "endpoint.region_stack": 0,
    "calibration.propagation": 1,
    "calibration.plain": 1,
    "calibration.line": 1,
    "calibration.certificate": 2,
    "endpoint.settings": 1,
    "endpoint.sentences": 1,
    "endpoint.region_body": 1,
    "endpoint.sources.ahead": 1,
    "endpoint.sources.frame": 1,
    "endpoint.sources.planes": 1.2,
    "calibration.cells": 0.5,
    "calibration.sheet": 2,
    "calibration.water": 1,
    "calibration.tolerance": 1,
    "calibration.weighing_sheet": 3,
    "calibration.glassware": 3,
    "calibration.burette": 4,
    "calibration.weighing": 5,
    "calibration.standards": 2,
    "calibration.end_error": 2,
    "calibration.titres": 2,
    "calibration.recorded": 3,
    "calibration.bench_ware": 4.2,
    "calibration.standard_sheet": 4.4,
    "calibration.titrant": 5,
    "calibration.stray_light": 1,
    "calibration.tone": 1,
    "calibration.pictures": 1,
    "calibration.mixing": 2,
    "calibration.chart": 2,
    "calibration.tone_sheet": 3,
    "calibration.camera": 4,
    "calibration.photometer": 3,
    "calibration.timing": 3,
    "endpoint.sources.video_frame": 1.5,
    "endpoint.sources.video": 2,
    "endpoint.sources.stills": 2,
    "endpoint.sources.photometer": 2,
    "endpoint.sources.colours": 2,
    "endpoint.sources.live": 2,
    "endpoint.sources.volumes": 1,
    "endpoint.sources.synthetic": 2,
    "endpoint.record_reader": 1,
    "endpoint.record_text": 1,
    "endpoint.certificate_use": 3,
    "endpoint.eye_record": 3,
    "endpoint.bench_record": 1.5,
    "endpoint.delivery_record": 1.5,
    "endpoint.record": 2,
    "endpoint.region_search": 2,
    "endpoint.region_patch": 2,
    "endpoint.tracking": 2,
    "endpoint.region_align": 2.5,
    "endpoint.sources.opening": 3,
    "endpoint.pixels": 2,
    "endpoint.kept_pictures": 2,
    "endpoint.steadiness": 2,
    "endpoint.region": 3,
    "endpoint.mixture": 3,
    "endpoint.colour": 4,
    "endpoint.following": 5,
    "endpoint.colour_table": 5,
    "endpoint.delivery": 4,
    "endpoint.burette_view": 4,
    "endpoint.meniscus": 5,
    "endpoint.drops": 5,
    "endpoint.seen_volume": 6,
    "endpoint.clock_search": 6,
    "endpoint.first_plume": 6,
    "endpoint.log_end": 6,
    "endpoint.burette_search": 6,
    "endpoint.volume_watch": 7.3,
    "endpoint.smooth": 4,
    "endpoint.foreign": 4,
    "endpoint.unmixing": 4,
    "endpoint.two_metals": 1,
    "endpoint.indicators": 2,
    "endpoint.indicator_file": 3,
    "endpoint.profile": 5.5,
    "endpoint.forms": 6,
    "endpoint.titration_model": 4,
    "endpoint.curve": 5,
    "endpoint.fitting": 5,
    "endpoint.transition": 6,
    "endpoint.hardness_units": 5,
    "endpoint.budget": 6,
    "endpoint.verdict": 7,
    "endpoint.log_clock": 7.2,
    "endpoint.hardness": 7,
    "endpoint.sampling": 7.5,
    "endpoint.hardness_classes": 8,
    "endpoint.job": 7.8,
    "endpoint.pipeline": 8,
    "endpoint.bench_quantities": 8.5,
    "endpoint.eye_titration": 8.7,
    "endpoint.assembly": 9,
    "endpoint.runs": 9.5,
    "endpoint.replicates": 9,
    "endpoint.replay": 10.5,
    "endpoint.comparison": 9,
    "endpoint.report": 9,
    "endpoint.bench.journal_events": 5,
    "endpoint.bench.journal_file": 5,
    "endpoint.bench.journal_writer": 5.5,
    "endpoint.bench.journal": 6,
    "endpoint.bench.kept_region": 6,
    "endpoint.bench.seen_rows": 8,
    "endpoint.bench.seen_events": 8.5,
    "endpoint.bench.rebuild": 9,
    "endpoint.bench": 10,
    "endpoint.bench.setup_checks": 9.5,
    "endpoint.bench.advice": 9.2,
    "endpoint.bench.history": 9.3,
    "endpoint.bench.ends": 9.35,
    "endpoint.bench.prediction": 9.4,
    "endpoint.bench.guidance": 9.5,
    "endpoint.batch": 10,
    "endpoint.outliers": 8,
    "endpoint.sample_range": 7,
    "endpoint.result_file": 1,
    "endpoint.titres": 2,
    "endpoint.titre_table": 4,
    "endpoint.titre_files": 5,
    "endpoint.compare_table": 8,
    "endpoint.report.compare": 10,
    "endpoint.report.compare_document": 10,
    "endpoint.report.compare_chart": 10,
    "endpoint.recovery": 8,
    "endpoint.replicate_mean": 8,
    "endpoint.report.replicates": 10,
    "endpoint.report.replicate_findings": 10,
    "endpoint.report.replicate_document": 10,
    "endpoint.report.replicate_chart": 10,
    "endpoint.report.mean_view": 10,
    "endpoint.report.control_chart": 10,
    "endpoint.control_chart": 8,
    "endpoint.planner": 9,
    "endpoint.commands": 11,
    "endpoint.notebook": 11,
    "endpoint.cli": 12,
}


def module_name(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts)


def row_of(module: str) -> float | None:
    parts = module.split(".")
    while parts:
        row = ROWS.get(".".join(parts))
        if row is not None:
            return row
        parts.pop()
    return None


def own_modules() -> list[Path]:
    paths = [p for top in ("endpoint", "calibration") for p in (ROOT / top).rglob("*.py")]
    return sorted(p for p in paths if p.name != "__init__.py")


def imported_modules(path: Path) -> list[str]:
    found: list[str] = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import on line {node.lineno}"
            base = node.module or ""
            for alias in node.names:
                deeper = f"{base}.{alias.name}"
                is_module = (ROOT / Path(*deeper.split("."))).with_suffix(".py").exists()
                found.append(deeper if is_module else base)
    return [name for name in found if name.split(".")[0] in ("endpoint", "calibration")]


@pytest.mark.parametrize("path", own_modules(), ids=module_name)
def test_imports_only_from_lower_rows(path: Path) -> None:
    name = module_name(path)
    row = row_of(name)
    assert row is not None, f"{name} has no row: add it to ROWS and to DEVELOPERS.md"
    for other in imported_modules(path):
        assert not (ROOT / Path(*other.split("."))).is_dir(), f"{name} imports the package {other}"
        if name.startswith("calibration"):
            assert not other.startswith("endpoint"), f"{name} imports {other}"
        other_row = row_of(other)
        assert other_row is not None, f"{name} imports {other}, which has no row"
        same_room = name.split(".")[:2] == other.split(".")[:2] and row >= 9
        assert other_row < row or same_room, f"{name} (row {row}) imports {other} (row {other_row})"


def test_package_files_hold_no_imports_of_heavy_modules() -> None:
    for path in (ROOT / "endpoint").rglob("__init__.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        top_level = [n for n in tree.body if isinstance(n, ast.Import | ast.ImportFrom)]
        assert not top_level, f"{path} imports at the top: import inside a function instead"


def test_no_module_called_utils() -> None:
    assert not [p for p in own_modules() if p.stem in {"utils", "helpers", "common", "misc"}]
