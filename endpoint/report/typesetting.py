"""PDF with typst: tagged (PDF/UA-1), from a template and data in one folder, nothing else."""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Mapping
from contextlib import suppress
from importlib.resources import files
from pathlib import Path
from typing import Any

from endpoint.problems import InstallProblem, OutputProblem

_FONTS = ("Libertinus Serif", "DejaVu Sans")
"""Those that come with typst and with matplotlib."""
_BOXES = "Last Resort High-Efficiency"
"""Comes with matplotlib; has a box for every character."""
_BOXED = "Characters that no font here has are drawn as boxes; result.json has them."


def set_pages(folder: Path, template: str, data: Mapping[str, Any]) -> tuple[int, bytes]:
    """Number of pages, and the PDF.

    Signs that the fonts at hand lack are looked for in those of the system, else drawn as boxes.

    Parameters
    ----------
    folder:
        Temporary; all that the template can reach. The data are written into it as `data.json`.
    template:
        Name of a file in it that labels its number of pages <pages>.
    data:
        Texts and numbers; `fonts`, `fallback` and `boxed` are added.

    Raises
    ------
    InstallProblem
        typst cannot be loaded.
    OutputProblem
        The PDF cannot be typeset.
    """
    usual = {"fonts": _FONTS, "fallback": False, "boxed": ""}
    boxes = {"fonts": (*_FONTS, _BOXES), "fallback": False, "boxed": _BOXED}
    text = json.dumps(data, ensure_ascii=False)
    if _missing(text):
        with suppress(OutputProblem):
            return _typeset(folder, template, {**data, **usual, "fallback": True}, system=True)
        return _typeset(folder, template, {**data, **boxes}, system=False)
    return _typeset(folder, template, {**data, **usual}, system=False)


def set_from(
    package: str, template: str, data: Mapping[str, Any], pictures: Mapping[str, str] | None = None
) -> bytes:
    """PDF from a template that a package holds in its folder `templates`.

    Parameters
    ----------
    package, template:
        Name of the package, and of the file.
    data:
        As in `set_pages`.
    pictures:
        SVG by the names that the template knows.

    Raises
    ------
    InstallProblem
        typst cannot be loaded.
    OutputProblem
        The PDF cannot be typeset.
    """
    with tempfile.TemporaryDirectory(prefix="endpoint-pages-") as place:
        folder = Path(place)
        held = files(package) / "templates" / template
        (folder / template).write_bytes(held.read_bytes())
        for name, svg in (pictures or {}).items():
            (folder / name).write_text(svg, "utf-8")
        return set_pages(folder, template, data)[1]


def _missing(text: str) -> bool:
    """Whether the fonts at hand lack a sign of a text."""
    from matplotlib.ft2font import FT2Font

    known = FT2Font(str(_fonts() / "DejaVuSans.ttf")).get_charmap()
    return any(ord(sign) not in known for sign in set(text) if sign.isprintable())


def _fonts() -> Path:
    import matplotlib

    return Path(matplotlib.get_data_path()) / "fonts" / "ttf"


def _some_fonts(folder: Path) -> Path:
    """Folder with the usual fonts only, so that no box replaces a character unnoticed."""
    place = folder / "fonts"
    place.mkdir(exist_ok=True)
    for name in ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf"):
        shutil.copy(_fonts() / name, place)
    return place


def _typeset(
    folder: Path, template: str, data: Mapping[str, Any], *, system: bool
) -> tuple[int, bytes]:
    try:
        import typst
    except ImportError as error:
        raise InstallProblem(
            f"A PDF needs a library that cannot be loaded ({error.name}).",
            "Install it (pip install typst), or write --html.",
        ) from None
    (folder / "data.json").write_text(json.dumps(data, ensure_ascii=True), "utf-8")
    places = [str(_some_fonts(folder) if system else _fonts())]
    try:
        fonts = typst.Fonts(include_system_fonts=system, font_paths=places)
        compiler = typst.Compiler(folder / template, root=folder, font_paths=fonts)
        pages = json.loads(compiler.query("<pages>", field="value", one=True))
        pdf: Any = compiler.compile(format="pdf", pdf_standards=["ua-1"])
    except RuntimeError as error:
        reason = str(getattr(error, "message", error)).splitlines()[:1]
        raise OutputProblem(
            f"The PDF cannot be typeset: {''.join(reason)[:160]}.", "Write --html instead."
        ) from None
    return int(pages), bytes(pdf)
