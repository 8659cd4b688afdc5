"""What a colour-blind eye sees, for the preview on the page.

Machado, Oliveira and Fernandes, A Physiologically-based Model for Simulation of Color Vision
Deficiency, IEEE Trans. Vis. Comput. Graph. 15 (2009) 1291, severity 1.0; the matrices work on
linear R'G'B' with the primaries of sRGB. Values from memory; a test compares them with the copy in
colour-science.
"""

from __future__ import annotations

MATRICES: dict[str, list[list[float]]] = {
    "protan": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deutan": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritan": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}
"""Rows of the matrix for each kind of dichromacy; every row sums to 1, so grey stays grey."""
