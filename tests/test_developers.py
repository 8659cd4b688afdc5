"""The guide for contributors: short, and every name in it exists."""

from __future__ import annotations

import importlib
import re

import pytest

from tests.places import ROOT
from tests.test_layers import PLACE

GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
DOTTED = sorted(set(re.findall(r"`((?:endpoint|calibration|tests)(?:\.\w+)+)(?:\([^`]*)?`", GUIDE)))
_PATH = r"`((?:endpoint|calibration|tests|sample_media|\.ci)/[\w./-]+)`"
PATHS = sorted(set(re.findall(_PATH, GUIDE)))


def _exists(dotted: str) -> bool:
    """Whether a dotted name is a module, or an attribute of one."""
    parts = dotted.split(".")
    for cut in range(len(parts), 0, -1):
        try:
            found: object = importlib.import_module(".".join(parts[:cut]))
        except ModuleNotFoundError:
            continue
        for name in parts[cut:]:
            if not hasattr(found, name):
                return False
            found = getattr(found, name)
        return True
    return False


@pytest.mark.parametrize("dotted", DOTTED)
def test_every_name_exists(dotted: str) -> None:
    assert _exists(dotted)


def test_a_name_that_does_not_exist_is_noticed() -> None:
    assert not _exists("endpoint.curve.points.nothing")
    assert not _exists("endpoint.nothing.points")


@pytest.mark.parametrize("path", PATHS)
def test_every_path_exists(path: str) -> None:
    assert (ROOT / path).exists()


def test_every_package_is_in_the_list() -> None:
    rows = GUIDE.split("## The way of a recording")[1].split("## ")[0]
    for package in PLACE:
        last = package.rpartition(".")[2]
        assert re.search(rf"`\.?(?:\w+\.)*{last}`", rows), package


def test_the_walk_and_the_guide_are_short() -> None:
    walk = GUIDE.split("## One frame, from film to hardness")[1].split("## ")[0]
    assert len([line for line in walk.splitlines() if line.strip()]) <= 25
    assert len(GUIDE.encode()) <= 10_000
