"""Pictures of calibration targets, as a camera with a known tone curve and colour matrix sees them.

Draws a 24-patch chart, a grey step wedge and a grey card into `bench/camera/`. The chart stands
askew in uneven light. Run from the top of the repository: python -m sample_media.camera_target
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

FOLDER = Path(__file__).parent / "bench" / "camera"
CHART = Path(__file__).parent.parent / "calibration" / "instruments" / "chart.toml"

MIX: FloatArray = np.array([[0.80, 0.16, 0.04], [0.07, 0.83, 0.10], [0.02, 0.16, 0.82]])
"""Linear sRGB to what the camera's channels see; rows sum to 1."""
SHOULDER = 0.35
XYZ_OF_SRGB: FloatArray = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750],
     [0.0193339, 0.1191920, 0.9503041]]
)  # fmt: skip
"""D65; from the primaries of IEC 61966-2-1."""
D50: FloatArray = np.array([0.96422, 1.0, 0.82521])
D65: FloatArray = np.array([0.95047, 1.0, 1.08883])
BRADFORD: FloatArray = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)
"""ICC.1:2010, annex E."""


@dataclass(frozen=True)
class MadeCamera:
    """Camera with a soft shoulder in front of the sRGB curve."""

    shoulder: float = SHOULDER
    noise: float = 0.004
    """Standard deviation of a pixel in the encoded values."""
    gains: tuple[float, float, float] = (1.0, 1.0, 1.0)
    """White balance."""

    def encoded(self, linear: FloatArray) -> FloatArray:
        """Tone curve, 0 to 1; exact at both ends."""
        x = np.clip(linear, 0.0, 1.0)
        x = (1.0 + self.shoulder) * x / (1.0 + self.shoulder * x)
        return np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)

    def picture(self, scene: FloatArray, rng: np.random.Generator) -> NDArray[np.uint8]:
        """Picture of a scene in linear sRGB, shape (height, width, 3)."""
        from scipy.ndimage import gaussian_filter

        seen = gaussian_filter(scene, (0.8, 0.8, 0)) @ MIX.T * np.array(self.gains)
        noisy = self.encoded(seen) + rng.normal(0.0, self.noise, scene.shape)
        return np.rint(255.0 * np.clip(noisy, 0.0, 1.0)).astype(np.uint8)


def chart_linear(version: str = "after 2014") -> FloatArray:
    """Linear sRGB of the 24 patches, shape (24, 3); one value of cyan is a little below 0."""
    table = tomllib.loads(CHART.read_text(encoding="utf-8"))[version]["values"]
    lab = np.array([row[1:] for row in table], dtype=np.float64)
    fy = (lab[:, 0] + 16.0) / 116.0
    f = np.column_stack([fy + lab[:, 1] / 500.0, fy, fy - lab[:, 2] / 200.0])
    xyz = D50 * np.where(f > 6 / 29, f**3, 3 * (6 / 29) ** 2 * (f - 4 / 29))
    ratio = (BRADFORD @ D65) / (BRADFORD @ D50)
    adapt = np.linalg.inv(BRADFORD) @ np.diag(ratio) @ BRADFORD
    return np.asarray(xyz @ adapt.T @ np.linalg.inv(XYZ_OF_SRGB).T)


def flat_chart(linear: FloatArray, patch: int = 80, gap: int = 16) -> FloatArray:
    """Chart seen straight on: black frame, 4 rows of 6 patches."""
    step = patch + gap
    out = np.full((4 * step + gap + 40, 6 * step + gap + 40, 3), 0.012)
    for k, colour in enumerate(linear):
        top, left = 20 + gap + step * (k // 6), 20 + gap + step * (k % 6)
        out[top : top + patch, left : left + patch] = colour
    return out


def bench(height: int, width: int, rng: np.random.Generator) -> FloatArray:
    """Wooden bench, linear sRGB."""
    y, x = np.mgrid[0:height, 0:width].astype(np.float64)
    grain = 0.5 + 0.25 * np.sin(y / 5.0 + 3.0 * np.sin(x / 170.0)) + 0.08 * rng.normal(size=y.shape)
    return np.asarray((0.75 + 0.25 * grain)[..., None] * np.array([0.30, 0.20, 0.11]))


CORNERS = ((150.0, 92.0), (742.0, 60.0), (770.0, 520.0), (118.0, 478.0))
"""Where the outer corners of the chart stand in the picture."""


def chart_scene(
    rng: np.random.Generator,
    version: str = "after 2014",
    uneven: float = 0.25,
    corners: tuple[tuple[float, float], ...] = CORNERS,
    exposure: float = 0.85,
) -> FloatArray:
    """Chart askew on a bench in light that falls off to the right, linear sRGB, 600 x 880."""
    import cv2

    height, width = 600, 880
    chart = flat_chart(chart_linear(version)).astype(np.float32)
    h, w = chart.shape[:2]
    target = np.array(corners, dtype=np.float32)
    whole = np.array([[0, 0], [w, 0], [w, h], [0, h]], dtype=np.float32)
    turn = cv2.getPerspectiveTransform(whole, target)
    scene = bench(height, width, rng)
    seen = cv2.warpPerspective(chart, turn, (width, height), flags=cv2.INTER_AREA)
    cover = cv2.warpPerspective(np.ones((h, w), np.float32), turn, (width, height))
    scene = scene * (1.0 - cover[..., None]) + seen
    x = np.linspace(0.0, 1.0, width)[None, :, None]
    y = np.linspace(0.0, 1.0, height)[:, None, None]
    return np.asarray(exposure * scene * (1.0 - uneven * x) * (1.0 - 0.3 * uneven * y))


WEDGE_DENSITIES = tuple(round(0.05 + 0.15 * k, 2) for k in range(13))


def wedge_scene(densities: tuple[float, ...] = WEDGE_DENSITIES, light: float = 0.95) -> FloatArray:
    """Grey wedge on a light table, steps from left to right, 160 x 700, linear."""
    scene = np.full((160, 700, 3), 0.02)
    for k, density in enumerate(densities):
        left = 25 + 50 * k
        scene[30:130, left : left + 50] = light * 10.0**-density
    return scene


def grey_scene(level: float = 0.45) -> FloatArray:
    """Grey card that fills the picture, a little darker to the corners, 120 x 160."""
    y, x = np.mgrid[-1:1:120j, -1:1:160j]
    return np.asarray((level * (1.0 - 0.04 * (x**2 + y**2)))[..., None] * np.ones(3))


def main() -> None:
    """Draw all pictures."""
    from PIL import Image

    FOLDER.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(2026)
    camera, warmer = MadeCamera(), MadeCamera(gains=(1.05, 1.0, 0.93))
    pictures = {
        "chart.jpg": camera.picture(chart_scene(rng), rng),
        "wedge.png": camera.picture(wedge_scene(), rng),
        "grey-start.jpg": camera.picture(grey_scene(), rng),
        "grey-end.jpg": warmer.picture(grey_scene(), rng),
    }
    for name, pixels in pictures.items():
        options = {"quality": 92} if name.endswith("jpg") else {"optimize": True}
        Image.fromarray(pixels).save(FOLDER / name, **options)


if __name__ == "__main__":
    main()
