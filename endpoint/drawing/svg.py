"""Small drawings in SVG for a page and a PDF: axes, marks and text, styled by class names.

A page brings its own style for the classes (light and dark); elsewhere `PRINT_STYLE` is put in.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from xml.sax.saxutils import escape, quoteattr

from calibration.wording import one_line

PRINT_STYLE = """
text{font-family:"Libertinus Serif","DejaVu Sans";font-size:13.5px;fill:#1b2430}
.strong{font-weight:bold}.soft{fill:#4c5866}
.back{fill:#fff}
.axis{stroke:#1b2430;stroke-width:1;fill:none}.grid{stroke:#d9dee4;stroke-width:.7;fill:none}
.line{stroke:#1b2430;stroke-width:1.8;fill:none}.thin{stroke:#1b2430;stroke-width:1.1;fill:none}
.lead{stroke:#7a8692;stroke-width:.8;fill:none}.bar{fill:#3d5568}.track{fill:#eef1f4}
.point{fill:#fff;stroke:#55616d;stroke-width:1}.error{stroke:#9aa5b0;stroke-width:1;fill:none}
.mark{fill:#fff;stroke:#1b2430;stroke-width:1.8}
.hatch{stroke:#8a95a0;stroke-width:1;fill:none}.edge{stroke:#8a95a0;stroke-width:.7;fill:none}
"""
"""Colours and type for paper."""

_CHARACTER = 6.6
"""Rough width of a sign in user units, for what must not run out of the picture."""


def nice_ticks(low: float, high: float, most: int) -> list[float]:
    """Round numbers within a range."""
    from matplotlib.ticker import MaxNLocator

    found = MaxNLocator(nbins=most, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high)
    slack = 1e-9 * (high - low)
    return [float(t) for t in found if low - slack <= t <= high + slack]


def tick_texts(ticks: Sequence[float]) -> list[str]:
    """Ticks with the fewest decimals that tell them apart."""
    for decimals in range(7):
        if all(math.isclose(round(t, decimals), t, abs_tol=1e-9) for t in ticks):
            break
    return [
        f"{t:.{decimals}f}".replace("-0", "0") if t == 0 else f"{t:.{decimals}f}" for t in ticks
    ]


class Drawing:
    """Elements of one SVG, in user units; y grows downward."""

    def __init__(self, width: float, height: float) -> None:
        self.width, self.height = width, height
        self._parts: list[str] = []

    def line(self, x1: float, y1: float, x2: float, y2: float, kind: str, dash: str = "") -> None:
        """Straight line; `dash` as in SVG, empty for a solid one."""
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        ends = f'x1="{x1:.2f}" y1="{y1:.2f}" x2="{x2:.2f}" y2="{y2:.2f}"'
        self._parts.append(f'<line class="{kind}" {ends}{dashed}/>')

    def path(self, points: Iterable[tuple[float, float]], kind: str, dash: str = "") -> None:
        """Open line through points."""
        way = " ".join(f"{x:.2f},{y:.2f}" for x, y in points)
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        self._parts.append(f'<polyline class="{kind}" points="{way}"{dashed}/>')

    def box(
        self, x: float, y: float, width: float, height: float, kind: str = "", fill: str = ""
    ) -> None:
        """Rectangle with a class, or with a colour of its own."""
        look = f' fill="{fill}"' if fill else f' class="{kind}"'
        self._parts.append(
            f'<rect x="{x:.2f}" y="{y:.2f}" width="{max(width, 0):.2f}" '
            f'height="{max(height, 0):.2f}"{look}/>'
        )

    def text(self, x: float, y: float, said: str, kind: str = "", anchor: str = "start") -> None:
        """Text with its base line at y."""
        look = f' class="{kind}"' if kind else ""
        self._parts.append(
            f'<text x="{x:.2f}" y="{y:.2f}" text-anchor="{anchor}"{look}>{_plain(said)}</text>'
        )

    def upright(self, x: float, y: float, said: str) -> None:
        """Text that runs upwards, centred on a point."""
        self._parts.append(
            f'<text class="soft" text-anchor="middle" '
            f'transform="translate({x:.2f} {y:.2f}) rotate(-90)">{_plain(said)}</text>'
        )

    def mark(self, shape: str, x: float, y: float, size: float, kind: str) -> None:
        """Shape around a point: triangle, circle, square or cross."""
        s = size
        if shape == "circle":
            self._parts.append(f'<circle class="{kind}" cx="{x:.2f}" cy="{y:.2f}" r="{s:.2f}"/>')
        elif shape == "square":
            self.box(x - s, y - s, 2 * s, 2 * s, kind)
        elif shape == "cross":
            self.line(x - s, y - s, x + s, y + s, kind)
            self.line(x - s, y + s, x + s, y - s, kind)
        else:
            foot = y + 0.8 * s
            way = f"{x:.2f},{y - 1.1 * s:.2f} {x + s:.2f},{foot:.2f} {x - s:.2f},{foot:.2f}"
            self._parts.append(f'<polygon class="{kind}" points="{way}"/>')

    def hatched(self, x1: float, y1: float, x2: float, y2: float) -> None:
        """Upright band filled with slanted lines, each cut at its edges."""
        step, tall = 7.0, y2 - y1
        start = x1 - tall
        while start < x2:
            left, right = max(start, x1), min(start + tall, x2)
            if right > left:
                self.line(left, y2 - (left - start), right, y2 - (right - start), "hatch")
            start += step
        self.line(x1, y1, x1, y2, "edge")
        self.line(x2, y1, x2, y2, "edge")

    def svg(self, name: str, title: str, words: str, style: str = "") -> str:
        """SVG with title and description for those who cannot see it (SVG 1.1, 5.4).

        Parameters
        ----------
        name:
            Begins the ids, so that several drawings stand in one page.
        title, words:
            What it shows, short and in full.
        style:
            Style sheet to put in, as `PRINT_STYLE`.
        """
        inner = f"<style>{style}</style>" if style else ""
        label = quoteattr(f"{name}-title {name}-desc")
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" class="drawing" role="img" '
            f"aria-labelledby={label} "
            f'viewBox="0 0 {self.width:g} {self.height:g}">'
            f'<title id="{name}-title">{_plain(title)}</title>'
            f'<desc id="{name}-desc">{_plain(words)}</desc>'
            f"{inner}{''.join(self._parts)}</svg>"
        )


def _plain(said: str) -> str:
    # Signs that steer are not allowed in XML at all.
    return escape(one_line(said))


def fitting(said: str, width: float) -> str:
    """Text that keeps within a width, cut where it must be."""
    most = max(int(width / _CHARACTER), 4)
    return said if len(said) <= most else said[: most - 1].rstrip() + "\u2026"


MARKS = {
    "equivalence_ml": "triangle",
    "midpoint_ml": "circle",
    "last_red_ml": "square",
}
"""Shape that stands for each of the three volumes in the figures."""
