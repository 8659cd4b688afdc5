"""How much indicator the depth of the colour shows, as knowledge for the fit.

The indicator takes part in the titration: what it holds is let go last. A pale liquid that is
fitted with the usual amount therefore ends too late, most of all where magnesium is plentiful.
"""

from __future__ import annotations

import math

from endpoint.chemistry.indicators import Indicator
from endpoint.curve.points import RGB, Curve

_CAMERA_PART = 0.8
"""Density that a camera's broad channel shows of a band's peak: two Gaussian bands 110 and 80 nm
wide with centres 15 nm apart (computed; the widths are usual ones, from memory)."""
_FLASK_CM = 6.0
"""Path of light through a conical flask that holds `_FLASK_ML` (common practice, no source)."""
_FLASK_ML = 100.0
_LOG_SD = 0.5
"""Standard deviation of the natural logarithm, a factor of 1.65: purity of the dye, shape of the
flask, and white paper behind that is seen once or twice through the liquid."""
_HIDDEN_LOG_SD = 0.9
"""The same where a channel is clipped, which hides its depth: as uncertain as that of a flask that
nobody sees."""
_PALEST = 0.015
"""Density that glass and turbidity show by themselves."""


def amount_shown(curve: Curve, indicator: Indicator) -> tuple[float, float]:
    """Natural logarithm of the indicator in umol/L, and its standard deviation."""
    path_cm, part = 1.0, 1.0
    if curve.channels == RGB:
        path_cm, part = _FLASK_CM * (curve.flask_ml / _FLASK_ML) ** (1.0 / 3.0), _CAMERA_PART
    density = max(curve.depth, _PALEST)
    shown = math.log(1e6 * density / (indicator.absorptivity * path_cm * part))
    return shown, _HIDDEN_LOG_SD if curve.is_clipped else _LOG_SD
