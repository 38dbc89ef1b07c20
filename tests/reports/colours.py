"""How far colours are apart: contrast, lightness, and as they are seen with one kind of cone missing."""

from __future__ import annotations

import numpy as np
from matplotlib.colors import to_rgb

# G. Machado, M. Oliveira, L. Fernandes, IEEE Trans. Visualization and Computer Graphics 15(6), 2009, table 1, severity
# 1.0 (values from memory): on linear RGB.
EYES = {
    "all cones": np.eye(3),
    "no long": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "no middle": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "no short": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}
# IEC 61966-2-1 (1999): sRGB to XYZ, and its white.
TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
WHITE = np.array([0.9505, 1.0, 1.089])


def linear(colour: object) -> np.ndarray:
    """A colour as linear RGB (IEC 61966-2-1)."""
    told = np.array(to_rgb(colour))
    return np.where(told <= 0.04045, told / 12.92, ((told + 0.055) / 1.055) ** 2.4)


def contrast(one: object, other: object) -> float:
    """The contrast ratio of two colours (W3C, Web Content Accessibility Guidelines 2.1, "contrast ratio")."""
    dark, light = sorted(float(linear(colour) @ [0.2126, 0.7152, 0.0722]) for colour in (one, other))
    return (light + 0.05) / (dark + 0.05)


def _lab(rgb: np.ndarray) -> np.ndarray:
    """CIELAB of linear RGB (CIE 15:2004, section 8.2.1)."""
    ratio = TO_XYZ @ rgb / WHITE
    root = np.where(ratio > 0.008856, np.cbrt(ratio), 7.787 * ratio + 16.0 / 116.0)
    return np.array([116.0 * root[1] - 16.0, 500.0 * (root[0] - root[1]), 200.0 * (root[1] - root[2])])


def lightness(rgb: np.ndarray) -> float:
    """L* of linear RGB."""
    return float(_lab(rgb)[0])


def seen_by(eyes: str, colour: str) -> np.ndarray:
    """Linear RGB of a colour as some eyes see it."""
    return np.clip(np.array(EYES[eyes]) @ linear(colour), 0.0, 1.0)


def distance(one: np.ndarray, other: np.ndarray) -> float:
    """Distance of two linear RGB in CIELAB (CIE 1976)."""
    return float(np.linalg.norm(_lab(one) - _lab(other)))
