"""How different two colours look: CAM02-UCS and CIEDE2000, to normal and colour-blind eyes and in a grey print."""

from __future__ import annotations

import numpy as np
from colorspacious import cspace_convert, deltaE

# Machado, Oliveira & Fernandes 2009 at full severity, as colorspacious has them
EYES = (None, "deuteranomaly", "protanomaly", "tritanomaly")


def rgb(color: str) -> np.ndarray:
    """Return red, green and blue of `#rrggbb`, 0 to 1."""
    return np.array([int(color[k : k + 2], 16) / 255 for k in (1, 3, 5)])


def seen(color: str, eye: str | None) -> np.ndarray:
    """Return a colour as an eye of `EYES` sees it; red, green and blue, 0 to 1."""
    if eye is None:
        return rgb(color)
    return np.clip(cspace_convert(rgb(color), {"name": "sRGB1+CVD", "cvd_type": eye, "severity": 100}, "sRGB1"), 0, 1)


def cam02(first: str, second: str, eye: str | None = None) -> float:
    """Return the difference of two colours in CAM02-UCS units."""
    return float(deltaE(seen(first, eye), seen(second, eye), input_space="sRGB1"))


def lab(color: str) -> np.ndarray:
    """Return L*, a*, b* of a colour (CIE 1976, D65)."""
    return np.asarray(cspace_convert(rgb(color), "sRGB1", {"name": "CIELab", "XYZ100_w": "D65"}))


def grey(first: str, second: str) -> float:
    """Return the difference of two colours in a grey print: CIEDE2000 of their lightness alone."""
    return ciede2000(np.array([lab(first)[0], 0.0, 0.0]), np.array([lab(second)[0], 0.0, 0.0]))


def ciede2000(first: np.ndarray, second: np.ndarray) -> float:
    """Return the CIEDE2000 difference of two colours given as L*, a*, b*.

    The equations are those of Sharma, Wu & Dalal 2005, Color Res. Appl. 30:21-30.
    """
    (l1, a1, b1), (l2, a2, b2) = first, second
    mean = (np.hypot(a1, b1) + np.hypot(a2, b2)) / 2
    more = 1.5 - 0.5 * np.sqrt(mean**7 / (mean**7 + 25.0**7))
    a1, a2 = more * a1, more * a2
    c1, c2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = np.degrees(np.arctan2(b1, a1)) % 360, np.degrees(np.arctan2(b2, a2)) % 360
    without_hue = c1 * c2 == 0
    turn = 0.0 if without_hue else (h2 - h1 + 180) % 360 - 180
    hue = np.radians(h1 + h2 if without_hue else (h1 + turn / 2) % 360)
    light, chroma = (l1 + l2) / 2, (c1 + c2) / 2
    t = (1 - 0.17 * np.cos(hue - np.radians(30)) + 0.24 * np.cos(2 * hue) + 0.32 * np.cos(3 * hue + np.radians(6))
         - 0.20 * np.cos(4 * hue - np.radians(63)))
    spread = np.exp(-(((np.degrees(hue) - 275) / 25) ** 2))
    rotation = -2 * np.sqrt(chroma**7 / (chroma**7 + 25.0**7)) * np.sin(np.radians(60 * spread))
    lightness = (l2 - l1) / (1 + 0.015 * (light - 50) ** 2 / np.sqrt(20 + (light - 50) ** 2))
    saturation = (c2 - c1) / (1 + 0.045 * chroma)
    turned = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(turn / 2)) / (1 + 0.015 * chroma * t)
    return float(np.sqrt(lightness**2 + saturation**2 + turned**2 + rotation * saturation * turned))


def grey_class(colors: tuple[str, ...]) -> int | None:
    """Return which colour of a scale is a medium grey, which is easily read as "no data"; None without one."""
    for k, color in enumerate(colors):
        parts = [int(color[at : at + 2], 16) for at in (1, 3, 5)]
        if max(parts) - min(parts) < 16 and 64 <= max(parts) < 208:
            return k
    return None
